// What stands for a kind of block in a picture: a code of one to three letters and a pattern.  Both
// are a kind's own for as long as the page is open, whichever kinds come and go.

const MOST = 2000; // kinds that are remembered
export const PATTERNS = 9;

function capital([first, ...rest]) {
  return first.toLocaleUpperCase() + rest.join("").toLocaleLowerCase();
}

// Codes for a name, the best first: its words' initials or its first two letters, then its first
// letter with others of the name.
function* candidates(name) {
  const words = name.match(/[\p{L}\p{N}]+/gu) ?? [];
  const letters = [...words.join("")];
  if (letters.length === 0) return;
  if (words.length > 1) yield words.slice(0, 3).map((word) => [...word][0]);
  yield letters.slice(0, 2);
  const [first, ...rest] = letters;
  for (const one of rest) yield [first, one];
  for (const [i, one] of rest.entries()) for (const other of rest.slice(i + 1)) yield [first, one, other];
}

export class Kinds {
  constructor() {
    this.kinds = new Map();
    this.codes = new Set();
  }

  // {code, pattern} of a kind; free space has neither.
  of(name) {
    if (name === "free") return { code: "", pattern: -1 };
    if (this.kinds.size > MOST) {
      this.kinds.clear();
      this.codes.clear();
    }
    if (!this.kinds.has(name)) this.kinds.set(name, { code: this.code(name), pattern: this.kinds.size % PATTERNS });
    return this.kinds.get(name);
  }

  code(name) {
    for (const letters of candidates(name)) {
      const code = capital(letters);
      if (this.codes.has(code)) continue;
      this.codes.add(code);
      return code;
    }
    // all that the name has is taken, or it has no letters
    for (let number = 1; ; number++) {
      const code = number.toString(36).toLocaleUpperCase();
      if (this.codes.has(code)) continue;
      this.codes.add(code);
      return code;
    }
  }
}
