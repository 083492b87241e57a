// Draws what a past holds, under its scrubber: time, gaps and resets on the first line, then a line
// each for attempts with their ends, for steps and for heap events.  A place is told from others by
// shape and line, and in words beside it.

import { clockWords, placeAtSeconds, secondsAt } from "./past_words.js";

export const INSET = 8; // half of the scrubber's thumb, whose middle stands over the place
const NEAR = 7;
const WIDE = 10; // of a gap
const SLIDER = 30; // the scrubber's height, under which the seconds stand
const STEPS = [0.1, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1200, 3600]; // seconds between labels
const LABEL = 64;

export const LINES = [
  { kinds: ["gap", "reset"], height: 46 },
  { kinds: ["attempt", "outcome"], height: 28 },
  { kinds: ["step"], height: 28 },
  { kinds: ["heap"], height: 28 },
];

export class Marks {
  constructor(canvas) {
    this.canvas = canvas;
    this.lines = []; // those of LINES that are shown
    this.timeline = null;
    this.drawn = "";
  }

  get width() {
    return this.canvas.clientWidth;
  }

  across(place) {
    const most = Math.max(1, (this.timeline?.count ?? 1) - 1);
    return INSET + (place / most) * (this.width - 2 * INSET);
  }

  placeAt(x) {
    const most = Math.max(0, (this.timeline?.count ?? 1) - 1);
    const share = (x - INSET) / Math.max(1, this.width - 2 * INSET);
    return Math.round(Math.max(0, Math.min(1, share)) * most);
  }

  lineAt(y) {
    let top = 0;
    for (const line of this.lines) {
      top += line.height;
      if (y < top) return line;
    }
    return null;
  }

  // The mark that is nearest to a point of the canvas; null where none is near.
  near(x, y) {
    const kinds = this.lineAt(y)?.kinds ?? [];
    let [found, least] = [null, NEAR];
    for (const mark of this.timeline?.marks ?? []) {
      if (!kinds.includes(mark.kind)) continue;
      const way = Math.abs(this.across(mark.place) - x);
      if (way <= least) [found, least] = [mark, way];
    }
    return found;
  }

  draw(timeline, lines, place, colours) {
    const ratio = devicePixelRatio || 1;
    const height = lines.reduce((sum, line) => sum + line.height, 0);
    const wide = this.width;
    if (wide === 0) return;
    const fresh = [ratio, wide, height, place, colours.ink, colours.paper].join();
    if (fresh === this.drawn && timeline === this.timeline) return;
    Object.assign(this, { timeline, lines, drawn: fresh });
    this.canvas.width = Math.round(wide * ratio);
    this.canvas.height = Math.round(height * ratio);
    this.canvas.style.height = `${height}px`;
    const pen = this.canvas.getContext("2d");
    pen.scale(ratio, ratio);
    let top = 0;
    for (const line of lines) {
      const [kind] = line.kinds;
      if (kind === "gap") this.time(pen, top, line.height, colours);
      else if (kind === "attempt") this.attempts(pen, top, line.height, colours);
      else this.ticks(pen, top, line.height, kind, colours);
      top += line.height;
    }
    if (place !== null) {
      pen.fillStyle = colours.pin;
      pen.fillRect(Math.round(this.across(place)) - 1, 0, 2, height);
    }
  }

  of(...kinds) {
    return this.timeline.marks.filter(({ kind }) => kinds.includes(kind));
  }

  // The line of time: whole as far as it is evaluated, then broken.
  time(pen, top, height, colours) {
    const { timeline } = this;
    const middle = top + SLIDER / 2;
    const ready = this.across(Math.max(0, timeline.ready - 1));
    pen.strokeStyle = colours.strong;
    pen.lineWidth = 2;
    pen.beginPath();
    pen.moveTo(this.across(0), middle);
    pen.lineTo(ready, middle);
    pen.stroke();
    pen.setLineDash([3, 5]);
    pen.beginPath();
    pen.moveTo(ready, middle);
    pen.lineTo(this.across(timeline.count - 1), middle);
    pen.stroke();
    pen.setLineDash([]);
    this.seconds(pen, top + height, colours);
    const resets = this.of("reset");
    // a reset is drawn over gaps, and of gaps that would overlap the first
    let last = -Infinity;
    const gaps = this.of("gap").filter(({ place }) => {
      const x = this.across(place);
      if (x - last < WIDE) return false;
      last = x;
      return true;
    });
    for (const { place, kind } of [...gaps, ...resets]) {
      const x = this.across(place);
      pen.fillStyle = colours.paper;
      if (kind === "gap") pen.fillRect(x - 3, middle - 2, 6, 4);
      else pen.fillRect(x - 7, middle - 10, 14, 20);
      pen.strokeStyle = colours.flaw;
      pen.lineWidth = 2;
      // a gap leans, a reset stands
      const lean = kind === "gap" ? 3 : 0;
      for (const side of [-3, 3]) {
        pen.beginPath();
        pen.moveTo(x + side - lean, middle + 8);
        pen.lineTo(x + side + lean, middle - 8);
        pen.stroke();
      }
    }
  }

  // Minutes and seconds from the beginning, as far apart as they can be read.
  seconds(pen, bottom, colours) {
    const { timeline } = this;
    const all = secondsAt(timeline, timeline.count - 1);
    if (all <= 0) return;
    const room = (all * LABEL) / (this.width - 2 * INSET);
    const every = STEPS.find((step) => step >= room) ?? STEPS.at(-1);
    pen.fillStyle = colours.muted;
    pen.font = "11px system-ui, sans-serif";
    pen.textAlign = "left";
    pen.textBaseline = "alphabetic";
    for (let i = 0; i * every <= all; i++) {
      const x = this.across(placeAtSeconds(timeline, i * every));
      pen.fillRect(Math.round(x), bottom - 14, 1, 5);
      const text = every < 1 ? clockWords(i * every) : clockWords(i * every).slice(0, -2);
      const wide = pen.measureText(text).width;
      if (x + 3 + wide < this.width) pen.fillText(text, x + 3, bottom - 4);
    }
  }

  // From each beginning to its end; the end by its shape: full, a cross, a ring.
  attempts(pen, top, height, colours) {
    const middle = top + height / 2;
    const all = this.of("attempt", "outcome");
    for (const [i, { place, kind, outcome }] of all.entries()) {
      const x = this.across(place);
      if (kind === "attempt") {
        const end = all[i + 1]?.place ?? this.timeline.ready - 1;
        pen.fillStyle = colours.used;
        pen.strokeStyle = colours.ink;
        pen.lineWidth = 1;
        const long = Math.max(2, this.across(end) - x);
        pen.fillRect(x, middle - 5, long, 10);
        pen.strokeRect(x + 0.5, middle - 4.5, Math.max(1, long - 1), 9);
        pen.fillStyle = colours.ink;
        pen.fillRect(Math.round(x), middle - 10, 2, 20);
      } else this.end(pen, x, middle, outcome, colours);
    }
  }

  end(pen, x, middle, outcome, colours) {
    pen.lineWidth = 2;
    pen.fillStyle = colours.paper;
    pen.fillRect(x - 6, middle - 6, 12, 12);
    pen.strokeStyle = pen.fillStyle = outcome === "success" ? colours.target : colours.flaw;
    pen.beginPath();
    if (outcome === "failed") {
      for (const way of [-1, 1]) {
        pen.moveTo(x - 4, middle - 4 * way);
        pen.lineTo(x + 4, middle + 4 * way);
      }
    } else pen.arc(x, middle, 4.5, 0, 7);
    if (outcome === "success") pen.fill();
    pen.stroke();
  }

  ticks(pen, top, height, kind, colours) {
    const long = kind === "step" ? height - 8 : height - 14;
    pen.fillStyle = kind === "step" ? colours.ink : colours.line;
    let last = -Infinity;
    for (const { place } of this.of(kind)) {
      const x = Math.round(this.across(place));
      if (x === last) continue;
      last = x;
      pen.fillRect(x, top + (height - long) / 2, kind === "step" ? 2 : 1, long);
      if (kind !== "step") continue;
      pen.beginPath();
      pen.moveTo(x, top + 4);
      pen.lineTo(x + 7, top + 8);
      pen.lineTo(x, top + 12);
      pen.fill();
    }
  }
}
