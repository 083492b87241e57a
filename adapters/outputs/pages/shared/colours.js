// The style sheet's colours for canvases, looked up again when the theme or a preference changes.

const NAMES = {
  ink: "--ink", muted: "--muted", rule: "--rule", strong: "--strong", paper: "--paper",
  line: "--line", target: "--hit", used: "--used", free: "--free", pin: "--pin", flaw: "--miss",
};
const REASONS = ["(prefers-color-scheme: dark)", "(prefers-contrast: more)", "(forced-colors: active)"];

let known = null;

// A custom property may hold a keyword of the system; a probe resolves it.
export function colours() {
  if (known === null) {
    const probe = document.createElement("i");
    probe.hidden = true;
    document.body.append(probe);
    known = {};
    for (const [name, property] of Object.entries(NAMES)) {
      probe.style.color = `var(${property})`;
      known[name] = getComputedStyle(probe).color;
    }
    probe.remove();
  }
  return known;
}

const listeners = [];

export function whenColoursChange(listener) {
  listeners.push(listener);
}

export function coloursChanged() {
  known = null;
  for (const listener of listeners) listener();
}

for (const reason of REASONS) matchMedia(reason).addEventListener("change", coloursChanged);
