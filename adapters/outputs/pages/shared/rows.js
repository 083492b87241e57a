// One row for each watch.

import { child, mark, put } from "./elements.js";
import { Gauge } from "./gauge.js";
import { printable } from "./printable.js";
import { briefWords, hasValue, markOf, stateWords, valueText } from "./words.js";

const BITS = /^-?0[xb]/;
const LONGEST = 24; // characters of a value that is not a pattern of bits; more is cut off
const CALM_PAUSE = 1000;

export class Row {
  // *roomy* says that whole sentences fit beside the values.
  constructor(reading, roomy = false) {
    this.name = reading.watch;
    this.sentence = roomy ? stateWords : briefWords;
    this.element = document.createElement("div");
    this.element.className = "watch";
    this.element.setAttribute("role", "listitem");
    const data = this.element.dataset;
    data.watch = reading.watch;
    data.aim = reading.target_text === null ? "none" : "some";
    data.gauge = reading.measured ? "some" : "none";
    this.value = child(this.element, "value");
    this.label = child(this.element, "label");
    this.gauge = new Gauge(this.element);
    this.state = child(this.element, "state");
    mark(this.state);
    this.words = child(this.state, "words");
    this.digits = 0;
    this.moved = -Infinity;
    this.reading = null; // the one that is shown
    this.room = "";
    this.keepRoom(reading.room);
    this.put(reading.status, reading.target ?? "none");
  }

  // The watch's own widest sensible texts decide how large the letters can be, not what it says now.
  keepRoom({ value, words } = { value: "", words: "" }) {
    const room = `${value} ${words}`;
    if (room === this.room) return;
    this.room = room;
    if (BITS.test(value)) this.value.dataset.form = "bits";
    // the style sheet shows them, though nobody sees it
    this.value.dataset.room = printable(value);
    this.state.dataset.room = printable(words);
    this.roomDigits = value.length;
  }

  put(status, target) {
    const data = this.element.dataset;
    data.status = status;
    data.target = target;
    data.mark = markOf(status, target);
    data.valued = hasValue(status) ? "yes" : "no";
  }

  // Show *reading*: value, gauge, shape, colour and words of one frame.  Where the emphasis would
  // change and is not *allowed* to, all of it waits.  Returns whether the emphasis changed, and
  // whether it had to wait.
  show(reading, seconds, { allowed, now, calm }) {
    const data = this.element.dataset;
    const target = reading.target ?? "none";
    const differs = data.status !== reading.status || data.target !== target;
    if (differs && !allowed) return { changed: false, pending: true };
    if (differs) this.put(reading.status, target);
    else if (this.isStill(reading, now, calm)) return { changed: false, pending: false };
    this.moved = now;
    this.reading = reading;
    this.keepRoom(reading.room);
    const text = valueText(reading);
    put(this.label, reading.label);
    put(this.value, text);
    this.grow(text);
    put(this.words, this.sentence(reading, seconds));
    if (reading.measured) this.gauge.show(reading, differs);
    return { changed: differs, pending: false };
  }

  // For those who ask for less motion a gauge moves seldom, and its value with it.
  isStill(reading, now, calm) {
    return calm && reading.measured && this.reading !== null && now - this.moved < CALM_PAUSE;
  }

  // The column only grows, so that nothing moves when a number loses a digit.
  grow(text) {
    const bits = BITS.test(text);
    if (bits) this.value.dataset.form = "bits";
    const digits = bits ? text.length : Math.min(text.length, LONGEST);
    if (digits <= this.digits) return;
    this.digits = digits;
    this.value.style.setProperty("--digits", String(digits));
  }

  // All of it that decides how much room is needed.
  get needs() {
    const more = Math.max(0, this.digits - this.roomDigits);
    return `${this.name} ${this.room} ${more} ${this.label.textContent} ${this.element.dataset.gauge}`;
  }
}

// What is shown for a name in the page's address that no watch has.
export function missing(name) {
  return {
    watch: name, label: name, status: "error", value: null, text: "", shown: "", target: null,
    target_text: null, distance: null, within: null, measured: false, reason: "",
    plain: "no such watch", words: "", age: 0,
  };
}
