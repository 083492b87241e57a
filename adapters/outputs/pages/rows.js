// One row for each watch.  Text from guests and schemas goes in by textContent alone.

import { stateWords } from "/pages/words.js";

const BITS = /^-?0[xb]/;

function child(parent, name) {
  const element = document.createElement("span");
  element.className = name;
  parent.append(element);
  return element;
}

function put(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

export class Row {
  constructor(reading) {
    this.name = reading.watch;
    this.element = document.createElement("div");
    this.element.className = "watch";
    this.element.dataset.watch = reading.watch;
    this.element.dataset.status = reading.status;
    this.element.dataset.target = reading.target ?? "none";
    this.value = child(this.element, "value");
    this.label = child(this.element, "label");
    this.state = child(this.element, "state");
    this.digits = 0;
    this.words = "";
  }

  // Show *reading*.  The value is always the newest; the emphasis, and the words that go with
  // it, change only where *allowed*.  Returns whether it changed, and whether it had to wait.
  show(reading, seconds, allowed) {
    const data = this.element.dataset;
    const target = reading.target ?? "none";
    const differs = data.status !== reading.status || data.target !== target;
    const changed = differs && allowed;
    if (changed) {
      data.status = reading.status;
      data.target = target;
    }
    const text = reading.text === "" && reading.status !== "ok" ? "–" : reading.text;
    put(this.label, reading.label);
    put(this.value, text);
    this.grow(text);
    // While the emphasis waits, so do the words: they must not say something else.
    if (!differs || changed) this.words = stateWords(reading, data.status, data.target, seconds);
    put(this.state, this.words);
    return { changed, pending: differs && !allowed };
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
    reason: "no such watch", words: "", age: 0,
  };
}
