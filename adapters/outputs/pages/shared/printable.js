// Other people's text made harmless: controls, marks that turn the order in which letters are read,
// letters without a shape, and lone surrogates become escapes that are seen, as "\x1b" and "\u202e"
// (adapters/printable.py has the same rule for terminals).  What shapes letters stays where it does
// that: an emoji's selector, and joiners between pictures and in scripts that need them.

const HARMLESS = /^[ -~]*$/;
const HIDDEN = new RegExp(
  [
    "(?<=[\\p{So}#*0-9])[\\ufe0e\\ufe0f]",
    "(?<=[\\p{Extended_Pictographic}\\p{Emoji_Modifier}\\ufe0f])\\u200d(?=\\p{Extended_Pictographic})",
    "(?<=(?!\\p{Script=Latin})[\\p{L}\\p{M}])[\\u200c\\u200d](?=(?!\\p{Script=Latin})[\\p{L}\\p{M}])",
    "([\\p{C}\\p{Zl}\\p{Zp}\\p{Default_Ignorable_Code_Point}])",
  ].join("|"),
  "gu",
);

export function printable(text) {
  if (HARMLESS.test(text)) return text;
  return text.replace(HIDDEN, (letter, hidden) => (hidden === undefined ? letter : shown(hidden)));
}

function shown(letter) {
  const code = letter.codePointAt(0);
  const digits = code.toString(16);
  if (code < 0x100) return `\\x${digits.padStart(2, "0")}`;
  return code < 0x10000 ? `\\u${digits.padStart(4, "0")}` : `\\U${digits.padStart(8, "0")}`;
}
