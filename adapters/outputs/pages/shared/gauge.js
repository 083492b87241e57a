// The way to a target as a line: the target in the middle, a float where the value is.
//
// The float stands left of the middle where the value is too small, and right where it is too
// large.  The end of the line is the largest distance seen so far.  The scale is the square root,
// so that the last steps are seen as well as the first.

import { child } from "./elements.js";

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
    this.shown = "";
    this.element.toggleAttribute("data-empty", true);
  }

  // *distance* and *within* are in the watch's unit; without a distance the float is hidden.
  // It glides from one place to the next, but *jumps* where the state beside it changed, or where
  // it would pass the target: on the way it must not say anything else than the words.
  show({ distance, within, target_text: target }, jumps) {
    if (target !== this.target) {
      this.target = target;
      this.largest = 0;
    }
    if (distance === null) {
      this.put("");
      return;
    }
    this.largest = Math.max(this.largest, Math.abs(distance), 2 * (within ?? 0));
    const share = (way) => (this.largest > 0 ? Math.sqrt(Math.abs(way) / this.largest) : 0);
    const at = -Math.sign(distance) * share(distance);
    this.zone.style.setProperty("--zone", share(within ?? 0).toFixed(3));
    this.put(at.toFixed(3), jumps);
  }

  put(at, jumps = true) {
    if (at === this.shown) return;
    const jump = jumps || Math.sign(at) !== Math.sign(this.shown);
    if (this.element.hasAttribute("data-jump") !== jump) this.element.toggleAttribute("data-jump", jump);
    this.shown = at;
    this.element.toggleAttribute("data-empty", at === "");
    if (at !== "") this.element.style.setProperty("--at", at);
  }
}
