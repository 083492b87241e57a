// Warnings that several rows share, as of a stale pointer that five watches go through: each is a
// note, told once and in full, and the rows have its number.  A warning of one row stands in it.

import { WARNINGS, stateWords } from "./words.js";

// What is to be taken with care, each once: [{status, reason, plain, readings}].
export function byWarning(readings) {
  const found = new Map();
  for (const reading of readings) {
    const { status, reason, plain = "" } = reading;
    if (!WARNINGS.has(status)) continue;
    const key = `${status} ${reason}`;
    if (!found.has(key)) found.set(key, { status, reason, plain, readings: [] });
    found.get(key).readings.push(reading);
  }
  return [...found.values()];
}

export class WarnedOnce {
  constructor() {
    this.numbers = new Map(); // by watch: the number that its note had last
  }

  // What the *readings* of one frame share: notes [{number, status, meaning, reason, watches}] in
  // the order of their numbers.  *reason* names expressions, *meaning* does not.  A note keeps its
  // number for as long as there are any, whatever rows come to it or leave it.
  of(readings) {
    const notes = byWarning(readings).filter(({ readings: { length } }) => length > 1)
      .map(({ status, reason, plain, readings: sharing }) => ({
        number: 0, status, meaning: plain.split(": ").slice(1).join(": "), reason,
        watches: sharing.map(({ watch }) => watch),
      }));
    if (notes.length === 0) this.numbers.clear();
    this.number(notes);
    return notes.sort((one, other) => one.number - other.number);
  }

  number(notes) {
    const taken = new Set();
    const had = (note) => note.watches.map((watch) => this.numbers.get(watch)).filter(Boolean);
    for (const note of notes) {
      note.number = had(note).find((number) => !taken.has(number)) ?? 0;
      taken.add(note.number);
    }
    let next = 1;
    for (const note of notes) {
      while (note.number === 0) {
        if (!taken.has(next)) note.number = next;
        taken.add(next++);
      }
      for (const watch of note.watches) this.numbers.set(watch, note.number);
    }
  }
}

// Which number each of the watches has that are in a note.
export function numberOf(notes) {
  return new Map(notes.flatMap(({ number, watches }) => watches.map((watch) => [watch, number])));
}

// The note's own line; without expressions for those who need not know any.
export function noteWords({ status, meaning, reason }, expressions = true) {
  const words = (expressions && reason) || meaning;
  return words ? `${status}: ${words}` : status;
}

// The words beside a value whose warning is told in note *number*; 0 where it is in none.
export function warnedWords(reading, seconds, number) {
  const words = stateWords(reading, seconds);
  if (number) return `${words}; note ${number}`;
  const [, ...meaning] = WARNINGS.has(reading.status) ? (reading.plain ?? "").split(": ") : [""];
  return meaning.length > 0 ? `${words}: ${meaning.join(": ")}` : words;
}
