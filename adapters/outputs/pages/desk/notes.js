// Warnings that several watches share, at the foot of the log: nothing above them moves.

import { child, put } from "../shared/elements.js";
import { Keyed } from "../shared/keyed.js";
import { noteWords } from "../shared/warned_once.js";

function noteRow() {
  const element = document.createElement("li");
  const number = child(element, "number");
  const words = child(element, "words");
  words.dir = "auto";
  return { element, number, words };
}

function isSame(one, other) {
  return one?.number === other.number && one.watches.join("\n") === other.watches.join("\n");
}

export class Notes {
  constructor(element) {
    this.element = element;
    this.rows = new Keyed(element, noteRow);
    this.shown = [];
  }

  // Which notes there are is an emphasis: where it is not *allowed* to change, only what a note that
  // stays says is of the newest frame, as its rows are.
  show(notes, allowed) {
    const same = notes.length === this.shown.length && notes.every((note, i) => isSame(this.shown[i], note));
    if (same || allowed) this.shown = notes;
    else this.shown = this.shown.map((old) => notes.find((note) => isSame(old, note)) ?? old);
    this.element.hidden = this.shown.length === 0;
    this.rows.show(this.shown, ({ number }) => number, ({ number, words }, note) => {
      put(number, `note ${note.number}`);
      put(words, noteWords(note));
    });
  }
}
