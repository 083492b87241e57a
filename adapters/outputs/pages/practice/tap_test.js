// The tap test: the runner taps along with ticks heard, or with a float seen to reach a line, and is
// told how late these come; what was found is taken or left.

import { child, put } from "../shared/elements.js";
import { tapResult } from "./taps.js";
import { NO_SOUND } from "./ticks.js";

const PERIOD = 800; // milliseconds: far more than any delay that is looked for
const TAPS = 16;
const BEATS = 60; // after which it falls silent
const BEGIN = 1200; // milliseconds until the first beat
const UNEVEN = 60; // milliseconds of spread, above which nothing is offered

const KINDS = { speaker: "Find the sound's delay by tapping", screen: "Find the picture's delay by tapping" };

export class TapTest {
  // What is taken is given to *take*, as the name and milliseconds.
  constructor(element, ticks, set, take) {
    Object.assign(this, { element, ticks, set, take, kind: "", taps: [] });
    const line = child(element, "kinds", "p");
    this.buttons = Object.fromEntries(Object.entries(KINDS).map(([kind, words]) => {
      const button = this.button(line, words, () => this.begin(kind));
      return [kind, button];
    }));
    this.place = child(element, "tap-place", "div");
    this.place.hidden = true;
    this.way = child(this.place, "tap-way", "div");
    child(this.way, "line");
    this.float = child(this.way, "float");
    this.pad = this.button(this.place, "Tap here, or any key or pad button", () => {});
    this.pad.className = "tap-pad";
    this.pad.addEventListener("pointerdown", (event) => this.tap(event.timeStamp));
    this.told = child(element, "", "p");
    this.told.setAttribute("role", "status");
    const choice = child(element, "kinds", "p");
    this.takes = this.button(choice, "Take it", () => this.choose(true));
    this.leaves = this.button(choice, "Leave it", () => this.choose(false));
    this.takes.hidden = this.leaves.hidden = true;
    element.closest("dialog").addEventListener("keydown", (event) => this.key(event));
  }

  button(parent, words, run) {
    const button = child(parent, "plain", "button");
    button.type = "button";
    put(button, words);
    button.addEventListener("click", run);
    return button;
  }

  get runs() {
    return this.kind !== "";
  }

  async begin(kind) {
    this.end();
    this.kind = kind;
    this.taps = [];
    this.result = null;
    this.place.hidden = false;
    this.way.hidden = kind !== "screen";
    this.pad.focus();
    put(this.told, `tap along: 0 of ${TAPS}`);
    this.wasOn = this.ticks.on;
    if (kind === "speaker") {
      try {
        await this.ticks.start();
      } catch {
        this.end();
        put(this.told, NO_SOUND);
        return;
      }
    }
    this.start = performance.now() + BEGIN;
    if (kind === "speaker") this.sounds = setInterval(() => this.sound(), 25);
    else requestAnimationFrame(() => this.draw(kind));
  }

  // Beats are put in as they come near; the delay that is looked for is not taken off.
  sound() {
    const beats = Array.from({ length: BEATS }, (_, i) => this.start + i * PERIOD);
    this.ticks.follow("taps", beats, performance.now(), 0);
  }

  draw(kind) {
    if (this.kind !== kind || this.way.hidden) return;
    const beats = (performance.now() - this.start) / PERIOD;
    // half of the time it comes to the line, and half it goes on
    const at = beats < -0.5 ? 0 : (((beats + 0.5) % 1) + 1) % 1;
    this.float.style.setProperty("--at", at.toFixed(4));
    requestAnimationFrame(() => this.draw(kind));
  }

  key(event) {
    if (!this.runs || ["Tab", "Escape", "Shift", "Control", "Alt", "Meta"].includes(event.key)) return;
    event.preventDefault();
    if (!event.repeat) this.tap(event.timeStamp);
  }

  // A tap *at* a time, of a key, the pointer or a pad.
  tap(at) {
    if (!this.runs || this.taps.length >= TAPS) return;
    this.taps.push(at);
    put(this.told, `tap along: ${this.taps.length} of ${TAPS}`);
    if (this.taps.length === TAPS) this.tell();
  }

  tell() {
    const result = tapResult(this.taps, this.start, PERIOD);
    const { kind } = this;
    this.stop();
    const { offset, spread, used, dropped } = result;
    const found = Math.round(offset);
    const counted = `${used} taps${dropped ? `, ${dropped} left out` : ""}`;
    const words = `late by ${found} ms, spread ${Math.round(spread)} ms, of ${counted}`;
    if (spread > UNEVEN) {
      put(this.told, `${words}: too uneven, try again`);
      return;
    }
    put(this.told, `${words}; ${this.set[kind]} ms is set`);
    this.result = [kind, found];
    this.takes.hidden = this.leaves.hidden = false;
    this.takes.focus();
  }

  choose(taken) {
    const { result } = this;
    this.end();
    if (taken && result) this.take(...result);
    put(this.told, taken ? `taken: ${result[1]} ms` : "left as it was");
    if (result) this.buttons[result[0]].focus();
  }

  // Nothing beats any more.
  stop() {
    clearInterval(this.sounds);
    if (this.kind === "speaker") {
      this.ticks.cancel();
      if (!this.wasOn) this.ticks.stop();
    }
    this.kind = "";
    this.place.hidden = true;
  }

  end() {
    if (this.runs) this.stop();
    this.result = null;
    this.takes.hidden = this.leaves.hidden = true;
    put(this.told, "");
  }
}
