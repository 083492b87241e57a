// The bar that counts towards the window: it begins with the moment, the window is marked on it, and
// a float goes along as the game's frames do.

import { child } from "../shared/elements.js";
import { barLength, tickPlaces } from "./cue_plan.js";

export class CueBar {
  constructor(element) {
    this.track = child(element, "track");
    this.window = child(element, "window");
    this.notches = child(element, "notches");
    this.way = child(element, "way");
    this.float = child(element, "float");
    this.element = element;
    this.shown = "";
    this.at = null; // the float's place as it was written
    this.frames = [];
    this.places = [];
  }

  // The window of the current step, and where the ticks are.
  lay(frames, period, ticks) {
    const shown = JSON.stringify([frames, Math.round(period * 2), ticks.count, ticks.apart]);
    if (shown === this.shown) return;
    this.shown = shown;
    const [first, last] = this.frames = frames;
    this.length = barLength(frames);
    this.element.style.setProperty("--from", (first / this.length).toFixed(4));
    this.element.style.setProperty("--to", ((last + 1) / this.length).toFixed(4));
    this.places = period > 0 ? tickPlaces(frames, period, ticks, this.length) : [first / this.length];
    this.notches.replaceChildren();
    for (const place of this.places) child(this.notches, "notch").style.setProperty("--at", place.toFixed(4));
  }

  // Whether it is laid out for such a window.
  shows([first, last]) {
    return this.frames[0] === first && this.frames[1] === last;
  }

  // *since* are the frames behind the moment and parts of them, null before it.  Who asks for less
  // motion sees the float go from notch to notch.
  move(since, calm) {
    let at = since === null ? -1 : Math.min(1, Math.max(0, since / this.length));
    if (calm && at >= 0) {
      const stops = [0, ...this.places, Number(this.element.style.getPropertyValue("--to")), 1];
      at = stops.findLast((stop) => stop <= at) ?? 0;
    }
    const text = at < 0 ? "" : at.toFixed(4);
    if (text === this.at) return;
    this.at = text;
    this.element.toggleAttribute("data-waits", text === "");
    if (text !== "") this.element.style.setProperty("--at", text);
  }
}
