// One watch in the log: label, value, state in words, and its last 30 seconds.

import { child, mark, put } from "../shared/elements.js";
import { printable } from "../shared/printable.js";
import { warnedWords } from "../shared/warned_once.js";
import { hasValue, markOf, valueText } from "../shared/words.js";
import { drawTrace } from "./plot.js";
import { KEPT, Room } from "./room.js";
import { Trace } from "./trace.js";

const LONG = 14; // characters, from which a value is set smaller
const BITS = /^-?0[xb]/;
const NUMBER = /^[-+]?[0-9]/;
const ROOM = 3000; // milliseconds for which a row keeps the height of words that have gone

function numberOf(reading) {
  if (!hasValue(reading.status)) return NaN;
  if (typeof reading.value === "number") return reading.value;
  return typeof reading.value === "boolean" ? Number(reading.value) : NaN;
}

export class Entry {
  constructor(reading) {
    this.name = reading.watch;
    this.element = document.createElement("li");
    this.button = child(this.element, "entry", "button");
    this.button.type = "button";
    this.button.tabIndex = -1;
    const data = this.button.dataset;
    data.watch = reading.watch;
    this.mark = mark(this.button);
    this.label = child(this.button, "label");
    this.label.dir = "auto";
    const line = child(this.button, "line");
    this.value = child(line, "value");
    this.value.dir = "auto";
    this.words = child(line, "words");
    this.words.dir = "auto";
    // while the pointer is over the watches, none may slip away from under it
    this.room = new Room(this.button, line, () => (this.element.closest("#groups:hover") ? KEPT : ROOM));
    this.plot = child(this.button, "plot", "canvas");
    this.plot.setAttribute("aria-hidden", "true");
    this.trace = new Trace();
    this.digits = 0;
    this.visible = false;
    this.drawn = -1;
    this.target = null;
    this.noted = 0; // the number of the note that has its warning
    this.hay = "";
    this.reading = reading;
    this.settle(reading.status, reading.target ?? "none");
  }

  settle(status, target) {
    const data = this.button.dataset;
    data.status = status;
    data.target = target;
    data.mark = markOf(status, target);
    data.valued = hasValue(status) ? "yes" : "no";
  }

  // Every live reading that comes, whether or not it is painted.
  note(reading, tenth) {
    this.trace.note(numberOf(reading), tenth);
  }

  // Value, shape, colour and words are of one frame: where the emphasis would change and is not
  // *allowed* to, all of it waits.
  paint(seconds, allowed, note = this.noted) {
    const { reading } = this;
    const data = this.button.dataset;
    const target = reading.target ?? "none";
    const differs = data.status !== reading.status || data.target !== target || this.noted !== note;
    if (differs && !allowed) return { changed: false, pending: true };
    if (differs) this.settle(reading.status, target);
    this.noted = note;
    if (put(this.label, reading.label)) this.learn();
    const text = valueText(reading);
    if (put(this.value, text)) this.grow(text);
    put(this.words, warnedWords(reading, seconds, note));
    this.room.settle();
    this.target = reading.target_range ?? null;
    return { changed: differs, pending: false };
  }

  // What it is called, and what the search looks through.
  learn() {
    const { label, watch, expression = "", group = "" } = this.reading;
    this.hay = `${label}\n${watch}\n${expression}\n${group}`.toLocaleLowerCase();
    this.button.title = printable(expression);
  }

  // The value's room only grows, so that nothing beside it moves.
  grow(text) {
    // where there is nothing, no room is kept for it
    this.value.dataset.room = text === "–" ? "none" : "kept";
    const form = BITS.test(text) ? "bits" : NUMBER.test(text) ? "number" : "words";
    this.value.dataset.form = form;
    if (text.length <= this.digits) return;
    this.digits = text.length;
    this.value.style.setProperty("--digits", String(Math.min(text.length, 40)));
    this.value.dataset.long = text.length > LONG ? "yes" : "no";
  }

  draw(tenth, colours) {
    if (!this.visible || this.drawn === tenth) return;
    this.drawn = tenth;
    const plain = typeof this.reading.value !== "string";
    this.plot.hidden = !plain && this.trace.range() === null;
    if (!this.plot.hidden) drawTrace(this.plot, this.trace, tenth, this.target, colours);
  }
}
