// What the browser keeps between visits.  It may be told to keep nothing.

const PREFIX = "lowhalf-desk-";

export function kept(name) {
  try {
    return localStorage.getItem(PREFIX + name);
  } catch {
    return null;
  }
}

export function keep(name, value) {
  try {
    localStorage.setItem(PREFIX + name, value);
  } catch {
    return;
  }
}
