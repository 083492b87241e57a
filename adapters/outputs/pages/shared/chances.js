// A rate as a point on a line from 0 to 1, with its interval.

import { child } from "./elements.js";

export class Chances {
  constructor(parent) {
    this.element = child(parent, "chances", "div");
    this.element.setAttribute("aria-hidden", "true");
    for (const part of ["track", "range", "point"]) child(this.element, part);
  }

  // Without a rate there is nothing to draw.
  show(rate, interval) {
    this.element.hidden = rate === null;
    if (rate === null) return;
    const [low, high] = interval;
    for (const [name, share] of Object.entries({ low, high, rate })) {
      this.element.style.setProperty(`--${name}`, share.toFixed(4));
    }
  }
}
