// One row for each watch.

import { child, mark, put } from "/pages/elements.js";
import { Gauge } from "/pages/gauge.js";
import { hasValue, markOf, stateWords } from "/pages/words.js";

const BITS = /^-?0[xb]/;

export class Row {
  constructor(reading) {
    this.name = reading.watch;
    this.element = document.createElement("div");
    this.element.className = "watch";
    this.element.setAttribute("role", "listitem");
    const data = this.element.dataset;
    data.watch = reading.watch;
    data.aim = reading.target_text === null ? "none" : "some";
    this.value = child(this.element, "value");
    this.label = child(this.element, "label");
    this.gauge = new Gauge(this.element);
    this.state = child(this.element, "state");
    mark(this.state);
    this.words = child(this.state, "words");
    this.digits = 0;
    this.said = "";
    this.longest = 0; // of the words of a target, in characters
    this.put(reading.status, reading.target ?? "none");
  }

  put(status, target) {
    const data = this.element.dataset;
    data.status = status;
    data.target = target;
    data.mark = markOf(status, target);
    data.valued = hasValue(status) ? "yes" : "no";
  }

  // Show *reading*.  The value is always the newest; the emphasis, and the words that go with
  // it, change only where *allowed*.  Returns whether it changed, and whether it had to wait.
  show(reading, seconds, { allowed, now, calm }) {
    const data = this.element.dataset;
    const target = reading.target ?? "none";
    const differs = data.status !== reading.status || data.target !== target;
    const changed = differs && allowed;
    if (changed) this.put(reading.status, target);
    const text = reading.text === "" && reading.status !== "ok" ? "–" : reading.text;
    put(this.label, reading.label);
    put(this.value, text);
    this.grow(text);
    this.measure(reading, now, calm);
    // While the emphasis waits, so do the words: they must not say something else.
    if (!differs || changed) this.said = stateWords(reading, data.status, data.target, seconds);
    put(this.words, this.said);
    if (target === "hit" || target === "miss") this.longest = Math.max(this.longest, this.said.length);
    return { changed, pending: differs && !allowed };
  }

  measure(reading, now, calm) {
    const aim = reading.distance === null && !this.measured ? "none" : "some";
    this.measured ||= reading.distance !== null;
    if (this.element.dataset.gauge !== aim) this.element.dataset.gauge = aim;
    if (this.measured) this.gauge.show(reading, now, calm);
  }

  // The column only grows, so that nothing moves when a number loses a digit.
  grow(text) {
    if (text.length <= this.digits) return;
    this.digits = text.length;
    this.value.style.setProperty("--digits", String(this.digits));
    if (BITS.test(text)) this.value.dataset.form = "bits";
  }
}

// What is shown for a name in the page's address that no watch has.
export function missing(name) {
  return {
    watch: name, label: name, status: "error", value: null, text: "", target: null,
    target_text: null, distance: null, within: null, reason: "no such watch", words: "", age: 0,
  };
}
