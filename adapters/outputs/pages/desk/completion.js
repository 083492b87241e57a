// What could stand at the caret of an expression: symbols, fields, members, functions, watches.

import { WORD, fieldsOf, openCall, structOf, walked } from "./paths.js";

const MOST = 60;

function offer(text, kind, about, insert = text) {
  return { text, kind, about: about ?? "", insert };
}

function afterDot(path, text, names) {
  const owner = WORD.exec(path)?.[0] ?? "";
  const alone = owner !== "" && !path.slice(0, path.length - owner.length).trimEnd().endsWith(".");
  if (alone && Object.hasOwn(names.enums, owner)) {
    return names.enums[owner].map((member) => offer(member, "member", owner));
  }
  const struct = structOf(path, names) || (alone ? walked(text, owner, names) : "");
  return Object.entries(fieldsOf(struct, names)).map(([field, about]) => offer(field, "field", about));
}

// In a text: a type's name, or the pointer by which a list leads on.
function quoted(before, names) {
  const call = openCall(before);
  if (call?.args.length !== 2) return [];
  if (call.name === "at") return Object.keys(names.structs).map((name) => offer(name, "type"));
  if (call.name !== "chain") return [];
  const struct = structOf(call.args[0], names);
  return Object.entries(names.structs[struct]?.fields ?? {})
    .filter(([, { type }]) => type === `${struct}*`)
    .map(([field, { type, doc }]) => offer(field, "field", doc ? `${type}, ${doc}` : type));
}

function anywhere(names) {
  return [
    ...Object.entries(names.symbols).map(([name, { type }]) => offer(name, "symbol", type)),
    ...names.watches.map(({ name, label }) => offer(name, "watch", label)),
    ...names.functions.map(({ name, call, doc }) => offer(name, "function", `${call}: ${doc}`, `${name}(`)),
    ...Object.keys(names.enums).map((name) => offer(name, "enumeration", "", `${name}.`)),
  ];
}

// The place of the quotation mark that is open at the end; -1 without one.
function quotedStart(before) {
  let mark = "";
  let start = -1;
  for (let i = 0; i < before.length; i++) {
    const letter = before[i];
    if (mark === "" && (letter === '"' || letter === "'")) [mark, start] = [letter, i];
    else if (letter === mark) mark = "";
  }
  return mark === "" ? -1 : start;
}

function ranked(offers, word) {
  const low = word.toLowerCase();
  const rank = ({ text }) => {
    const name = text.toLowerCase();
    return name.startsWith(low) ? 0 : name.split("_").some((part) => part.startsWith(low)) ? 1
      : name.includes(low) ? 2 : 3;
  };
  return offers
    .map((each, at) => ({ each, at, rank: rank(each) }))
    .filter(({ each, rank: found }) => found < 3 && each.insert !== word)
    .sort((one, other) => one.rank - other.rank || one.at - other.at)
    .slice(0, MOST)
    .map(({ each }) => each);
}

// What is offered, and from where to the caret it replaces the text.
export function completion(text, caret, names) {
  const before = text.slice(0, caret);
  const quote = quotedStart(before);
  if (quote >= 0) {
    const offers = ranked(quoted(before.slice(0, quote), names), before.slice(quote + 1));
    return { from: quote + 1, offers };
  }
  const word = WORD.exec(before)?.[0] ?? "";
  const from = caret - word.length;
  const rest = before.slice(0, from);
  if (/\d$/.test(rest)) return { from, offers: [] };
  const dotted = rest.trimEnd().endsWith(".");
  const offers = dotted ? afterDot(rest.trimEnd().slice(0, -1).trimEnd(), text, names) : anywhere(names);
  return { from, offers: word === "" && !dotted ? [] : ranked(offers, word) };
}

// Everything, where the user asks for it without a word.
export function everything(text, caret, names) {
  const found = completion(text, caret, names);
  return found.offers.length > 0 || /[\w.]$/.test(text.slice(0, caret))
    ? found
    : { from: caret, offers: anywhere(names).slice(0, MOST) };
}
