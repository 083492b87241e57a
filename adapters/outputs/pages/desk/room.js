// What changes by itself keeps the room that it has needed, so that nothing below it moves; after
// as long as a plot remembers, or as *kept* says, room that is no longer needed is given back.

import { child } from "../shared/elements.js";

export const KEPT = 30000; // milliseconds

export class Room {
  // The height of *content*, or more, is the custom property --room of *place*.  *kept* says for how
  // long the room is kept.
  constructor(place, content, kept = () => KEPT) {
    this.place = place;
    this.content = content;
    this.kept = kept;
    this.width = 0;
    this.natural = 0;
    this.height = 0;
    this.needed = 0; // until when all of it was
    new ResizeObserver(([{ contentRect }]) => this.measured(contentRect)).observe(content);
  }

  measured({ width, height }) {
    if (width === 0) return; // it is hidden
    if (this.natural === this.height) this.needed = performance.now();
    if (width !== this.width) this.height = 0; // text breaks elsewhere
    this.width = width;
    this.natural = height;
    this.settle();
  }

  settle() {
    const enough = this.natural <= this.height;
    const late = this.natural < this.height && performance.now() - this.needed > this.kept();
    if (enough && !late) return;
    this.height = this.natural;
    this.place.style.setProperty("--room", `${this.height}px`);
  }

  // For something else.
  reset() {
    this.height = 0;
    this.settle();
  }
}

// A room within *panel*, whose content is still to come.
export function roomIn(panel) {
  const place = child(panel, "roomy", "div");
  return new Room(place, child(place, "", "div"));
}
