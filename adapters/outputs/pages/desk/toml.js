// A watch as TOML 1.0 text, ready to be pasted into the bridge file.

export const NAME = /^[A-Za-z_][A-Za-z0-9_]*$/;

const SHORT = { "\b": "\\b", "\t": "\\t", "\n": "\\n", "\f": "\\f", "\r": "\\r", '"': '\\"', "\\": "\\\\" };

// Lone surrogates, which neither TOML nor an address can hold, become U+FFFD.
export function wellFormed(text) {
  return text.toWellFormed
    ? text.toWellFormed()
    : text.replace(/[\ud800-\udbff](?![\udc00-\udfff])|(?<![\ud800-\udbff])[\udc00-\udfff]/g, "\ufffd");
}

// A basic string.  What steers a reader's eye is written as an escape too.
function quoted(text) {
  return `"${wellFormed(text).replace(/["\\]|[\p{Cc}\p{Zl}\p{Zp}\u061c\u200b-\u200f\u202a-\u202e\u2060-\u2069\ufeff]/gu, (letter) =>
    SHORT[letter] ?? `\\u${letter.codePointAt(0).toString(16).toUpperCase().padStart(4, "0")}`)}"`;
}

export function watchTable({ name, label, group, expr, show }) {
  const lines = ["[[watches]]", `name = ${quoted(name)}`];
  if (label) lines.push(`label = ${quoted(label)}`);
  if (group) lines.push(`group = ${quoted(group)}`);
  lines.push(`expr = ${quoted(expr)}`);
  if (show) lines.push(`show = ${quoted(show)}`);
  return `${lines.join("\n")}\n`;
}
