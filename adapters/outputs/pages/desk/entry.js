// One watch in the log: label, value, state in words, and its last 30 seconds.

import { child, mark, put } from "../shared/elements.js";
import { printable } from "../shared/printable.js";
import { WARNINGS, hasValue, markOf, stateWords, valueText } from "../shared/words.js";
import { drawTrace } from "./plot.js";
import { Room } from "./room.js";
import { Trace } from "./trace.js";

const LONG = 14; // characters, from which a value is set smaller
const BITS = /^-?0[xb]/;
const NUMBER = /^[-+]?[0-9]/;

// As on the overlay, and here there is room to say what a warning means.
function sayState(reading, seconds) {
  const words = stateWords(reading, seconds);
  const { status, plain = "" } = reading;
  const meaning = WARNINGS.has(status) ? plain.split(": ").slice(1).join(": ") : "";
  return meaning ? `${words}: ${meaning}` : words;
}

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
    this.room = new Room(this.button, line);
    this.plot = child(this.button, "plot", "canvas");
    this.plot.setAttribute("aria-hidden", "true");
    this.trace = new Trace();
    this.digits = 0;
    this.visible = false;
    this.drawn = -1;
    this.target = null;
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
  paint(seconds, allowed) {
    const { reading } = this;
    const data = this.button.dataset;
    const target = reading.target ?? "none";
    const differs = data.status !== reading.status || data.target !== target;
    if (differs && !allowed) return { changed: false, pending: true };
    if (differs) this.settle(reading.status, target);
    if (put(this.label, reading.label)) this.learn();
    const text = valueText(reading);
    if (put(this.value, text)) this.grow(text);
    put(this.words, sayState(reading, seconds));
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
