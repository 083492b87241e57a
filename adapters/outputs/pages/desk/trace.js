// The last 30 seconds of one watch, in tenths of a second: lowest, highest and last value of each.
//
// The room is fixed.  A tenth without a value is NaN, and so a gap.  A value holds until another
// comes or it ends; a silence longer than the server's own repeats is a gap too.

export const TENTHS = 300;
const LONGEST_HOLD = 25;

export function tenthOf(milliseconds) {
  return Math.floor(milliseconds / 100);
}

export class Trace {
  constructor() {
    this.low = new Float64Array(TENTHS).fill(NaN);
    this.high = new Float64Array(TENTHS).fill(NaN);
    this.last = new Float64Array(TENTHS).fill(NaN);
    this.tenth = -1; // the newest that is written
    this.present = NaN;
  }

  // A value that came in *tenth*; NaN where there is none.
  note(value, tenth) {
    this.hold(tenth);
    const place = tenth % TENTHS;
    this.present = value;
    this.last[place] = value;
    if (Number.isNaN(value)) return;
    this.low[place] = Number.isNaN(this.low[place]) ? value : Math.min(this.low[place], value);
    this.high[place] = Number.isNaN(this.high[place]) ? value : Math.max(this.high[place], value);
  }

  // Up to *tenth* nothing else came.
  hold(tenth) {
    if (tenth <= this.tenth) return;
    const held = this.tenth >= 0 && tenth - this.tenth <= LONGEST_HOLD;
    const value = held ? this.present : NaN;
    if (!held) this.present = NaN;
    for (let each = Math.max(this.tenth + 1, tenth - TENTHS + 1); each <= tenth; each++) {
      const place = each % TENTHS;
      this.low[place] = this.high[place] = this.last[place] = value;
    }
    this.tenth = tenth;
  }

  // What lies within, for a scale; null without a value.
  range() {
    let [low, high] = [Infinity, -Infinity];
    for (let place = 0; place < TENTHS; place++) {
      if (this.low[place] < low) low = this.low[place];
      if (this.high[place] > high) high = this.high[place];
    }
    return low <= high ? [low, high] : null;
  }
}
