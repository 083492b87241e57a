// Where the path that ends at a place in an expression leads: which struct's fields may follow.

export const WORD = /[\p{L}_][\p{L}\p{N}_]*$/u;
const DEEPEST = 40;

// What the core itself names; the owner of a block is a text.
const BLOCK = {
  start: "the address of its first byte",
  size: "in bytes",
  used: "whether it is handed out",
  index: "its number in the heap's list",
  owner: "what lives in it",
};
const BLOCKS = {
  "block()": { ...BLOCK, offset: "bytes from its start to the address" },
  "blocks()": BLOCK,
};

// {name: what it is} of what may follow with a dot.
export function fieldsOf(struct, names) {
  if (Object.hasOwn(BLOCKS, struct)) return BLOCKS[struct];
  const fields = Object.entries(names.structs[struct]?.fields ?? {});
  return Object.fromEntries(fields.map(([name, { type, doc }]) => [name, doc ? `${type}, ${doc}` : type]));
}

// The place in *text* before the bracket that the one at *end* closes; -1 without one.
function opening(text, end) {
  const open = { "]": "[", ")": "(" }[text[end]];
  for (let depth = 0, i = end; i >= 0; i--) {
    if (text[i] === text[end]) depth++;
    else if (text[i] === open && --depth === 0) return i;
  }
  return -1;
}

// The arguments at the beginning of *text*, up to the bracket that closes them or to its end.
function args(text) {
  const found = [""];
  let [depth, mark] = [0, ""];
  for (const letter of text) {
    if (mark) mark = letter === mark ? "" : mark;
    else if (letter === '"' || letter === "'") mark = letter;
    else if ("([".includes(letter)) depth++;
    else if (")]".includes(letter) && --depth < 0) break;
    if (letter === "," && depth === 0 && !mark) found.push("");
    else found[found.length - 1] += letter;
  }
  return found;
}

// The call that is open at the end of *text*: its function and its arguments; null without one.
export function openCall(text) {
  for (let depth = 0, i = text.length - 1; i >= 0; i--) {
    if (")]".includes(text[i])) depth++;
    else if ("([".includes(text[i]) && --depth < 0) {
      const name = text[i] === "(" ? WORD.exec(text.slice(0, i).trimEnd())?.[0] : undefined;
      return name === undefined ? null : { name, args: args(text.slice(i + 1)) };
    }
  }
  return null;
}

// Of what a list has members.
function listed(call, inside, names, depth) {
  if (call === "blocks") return "blocks()";
  return call === "chain" ? structOf(args(inside)[0], names, depth + 1) : "";
}

// The struct that the path which ends at *text*'s end leads into; "" where that is not known.
export function structOf(text, names, depth = 0) {
  const path = text.trimEnd();
  if (path === "" || depth > DEEPEST) return "";
  const last = path[path.length - 1];
  if (last === "]" || last === ")") {
    const at = opening(path, path.length - 1);
    if (at < 0) return "";
    const before = path.slice(0, at);
    if (last === "]") return structOf(before, names, depth + 1);
    const called = WORD.exec(before.trimEnd())?.[0];
    const inside = path.slice(at + 1, -1);
    if (called === "at") return /,\s*["'](\w+)\s*\**["']\s*$/.exec(inside)?.[1] ?? "";
    if (called === "block") return "block()";
    if (called === "chain" || called === "blocks") return listed(called, inside, names, depth);
    return called === undefined || called === "first" ? structOf(inside, names, depth + 1) : "";
  }
  const word = WORD.exec(path)?.[0];
  if (!word) return "";
  const before = path.slice(0, path.length - word.length).trimEnd();
  if (before.endsWith(".")) {
    const owner = structOf(before.slice(0, -1), names, depth + 1);
    return names.structs[owner]?.fields?.[word]?.to ?? "";
  }
  return names.symbols[word]?.to ?? "";
}

// The struct of a name that a list is walked with: `for a in chain(HEAD, …)`.
export function walked(text, word, names) {
  const found = new RegExp(`(?<![\\p{L}\\p{N}_])for\\s+${word}\\s+in\\s+(\\w+)\\s*\\(`, "u").exec(text);
  return found ? listed(found[1], text.slice(found.index + found[0].length), names, 0) : "";
}
