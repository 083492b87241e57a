// What the page shows: the live game, or one moment of a past, whole.  A moment comes at once where
// it changes no emphasis, and else when emphasis may change: all of it waits, never a part.

import { steady } from "../shared/steady.js";

// What of a snapshot is more than a number that changes.
export function emphasis({ readings, practice, heap }) {
  return JSON.stringify([
    readings.map(({ watch, status, target, pointer, value }) => [watch, status, target, pointer ? value : null]),
    steady(practice),
    heap ? [heap.blocks, heap.owners, heap.held, heap.damaged, heap.empty] : null,
  ]);
}

export class Shown {
  constructor() {
    this.moment = null; // null is live
    this.last = "";
  }

  get isLive() {
    return this.moment === null;
  }

  // Show *moment*, or live where it is null.
  turn(moment, allowed) {
    if (moment === this.moment) return { turned: false, changed: false, pending: false };
    const fresh = moment === null ? "" : emphasis(moment.snapshot);
    const changed = fresh !== this.last;
    if (changed && !allowed) return { turned: false, changed: false, pending: true };
    this.moment = moment;
    this.last = fresh;
    return { turned: true, changed, pending: false };
  }
}
