// What is set of the cue, in a dialog, and remembered: the ticks, and the delays with the tap test.

import { child, put } from "../shared/elements.js";
import { keep, kept } from "../shared/memory.js";
import { TapTest } from "./tap_test.js";

const NAME = "cue";
const LEFT_OUT = "The last tick is at the window's first frame; those before its moment are left out.";
const LIMITS = { // the least, the most, and what it is at first
  count: [1, 8, 4],
  apart: [80, 2000, 250],
  volume: [0, 1, 0.5],
  speaker: [-200, 600, 0],
  screen: [-200, 600, 0],
};

// What is kept, each within its limits.
export function readSettings(text) {
  let found = {};
  try {
    found = JSON.parse(text ?? "{}") ?? {};
  } catch {
    // what another version or a person wrote is not taken
  }
  return Object.fromEntries(Object.entries(LIMITS).map(([name, [least, most, usual]]) => {
    const value = found[name];
    return [name, Number.isFinite(value) ? Math.min(most, Math.max(least, value)) : usual];
  }));
}

export class CueSettings {
  constructor(button, dialog, ticks, changed) {
    this.set = readSettings(kept(NAME));
    this.changed = changed;
    this.inputs = {};
    this.dialog = dialog;
    this.fields = child(dialog, "fields", "div");
    this.field("volume", "volume", "range", 0.05);
    this.field("count", "ticks before the window, with its own", "number", 1);
    this.field("apart", "milliseconds from one to the next", "number", 10);
    put(child(dialog, "aside", "p"), LEFT_OUT);
    this.field("speaker", "the sound comes late by, in ms", "number", 1);
    this.field("screen", "the picture comes late by, in ms", "number", 1);
    this.test = new TapTest(child(dialog, "taps", "div"), ticks, this.set, (name, value) => this.put(name, value));
    const line = child(dialog, "closing", "p");
    const close = child(line, "plain", "button");
    close.type = "button";
    put(close, "Close");
    close.addEventListener("click", () => dialog.close());
    dialog.addEventListener("close", () => this.test.end());
    button.addEventListener("click", () => dialog.showModal());
  }

  field(name, words, type, step) {
    const line = child(this.fields, "field", "p");
    const label = child(line, "", "label");
    const input = child(line, "", "input");
    const [least, most] = LIMITS[name];
    label.htmlFor = input.id = `cue-${name}`;
    put(label, words);
    Object.assign(input, { type, min: least, max: most, step });
    input.value = this.set[name];
    input.addEventListener("change", () => this.put(name, input.value === "" ? NaN : Number(input.value)));
    this.inputs[name] = input;
  }

  put(name, value) {
    Object.assign(this.set, readSettings(JSON.stringify({ ...this.set, [name]: value })));
    this.inputs[name].value = this.set[name];
    keep(NAME, JSON.stringify(this.set));
    this.changed(this.set);
  }
}
