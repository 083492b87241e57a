// The way to a target as a line: the target in the middle, a float where the value is.
//
// The float stands left of the middle where the value is too small, and right where it is too
// large.  The end of the line is the largest distance seen so far.  The scale is the square root,
// so that the last steps are seen as well as the first.

import { child } from "/pages/elements.js";

const CALM_PAUSE = 1000;

export class Gauge {
  constructor(parent) {
    this.element = child(parent, "gauge");
    this.element.setAttribute("aria-hidden", "true"); // the words beside it say the same
    child(this.element, "track");
    this.zone = child(this.element, "zone");
    child(this.element, "way");
    child(this.element, "float");
    this.largest = 0;
    this.target = null;
    this.moved = -Infinity;
    this.shown = "";
  }

  // *distance* and *within* are in the watch's unit; without a distance the float is hidden.
  show({ distance, within, target_text: target }, now, calm) {
    if (target !== this.target) {
      this.target = target;
      this.largest = 0;
    }
    if (calm && now - this.moved < CALM_PAUSE) return;
    this.moved = now;
    if (distance === null) {
      this.put("");
      return;
    }
    this.largest = Math.max(this.largest, Math.abs(distance), 2 * (within ?? 0));
    const share = (way) => (this.largest > 0 ? Math.sqrt(Math.abs(way) / this.largest) : 0);
    const at = -Math.sign(distance) * share(distance);
    this.zone.style.setProperty("--zone", share(within ?? 0).toFixed(3));
    this.put(at.toFixed(3));
  }

  put(at) {
    if (at === this.shown) return;
    this.shown = at;
    this.element.toggleAttribute("data-empty", at === "");
    if (at !== "") this.element.style.setProperty("--at", at);
  }
}
