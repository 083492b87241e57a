// Two pasts, where they are aligned, and the two moments at one offset from there.  It knows of no
// element.

import { Newest, fetched } from "./newest.js";
import { followTimeline, pathOf } from "./past_timeline.js";

const SIDES = ["a", "b"];

export class Pair {
  constructor(ready) {
    this.ready = ready;
    this.a = this.b = null; // pasts
    this.align = {}; // {step} or {expr}; neither: at their first frames
    this.found = null; // what /beside.json gave
    this.trouble = "";
    this.late = "";
    this.offset = 0;
    this.came = null; // {offset, found, a, b}: the moments
    this.timelines = { a: null, b: null };
    this.following = null;
    const failed = (name) => (wish, words) => {
      this[name] = words;
      ready();
    };
    this.alignments = new Newest(
      ({ a, b, align }, signal) => fetched(`/beside.json?${new URLSearchParams({ a: a.id, b: b.id, ...align })}`, signal),
      ({ offset }, found) => {
        this.found = found;
        this.trouble = found.error;
        if (this.isAligned) this.to(offset ?? 0);
        ready();
      },
      failed("trouble"),
    );
    this.moments = new Newest(
      ({ offset, found, a, b }, signal) => Promise.all(
        [[a, found.a], [b, found.b]].map(([past, place]) =>
          fetched(`${pathOf(past)}/moment.json?place=${place + offset}&parts=desk`, signal))),
      (wish, [a, b]) => {
        this.late = "";
        this.came = { ...wish, a: { past: wish.a, moment: a }, b: { past: wish.b, moment: b } };
        ready();
      },
      failed("late"),
    );
  }

  get isAligned() {
    return this.found !== null && !this.found.error && this.found.count > 0;
  }

  get second() {
    return Math.max(1, Math.round(this.timelines.a?.rate || 60));
  }

  // Names of steps that both have, as far as they are evaluated.
  get steps() {
    const [one, other] = SIDES.map((side) => (this.timelines[side]?.marks ?? [])
      .filter(({ kind }) => kind === "step").map(({ words }) => words));
    return [...new Set(one)].filter((name) => other.includes(name));
  }

  choose(a, b, align, offset = null) {
    const others = a?.id !== this.a?.id || b?.id !== this.b?.id;
    Object.assign(this, { a, b, align, found: null, trouble: "", late: "" });
    this.moments.drop();
    if (others) this.follow();
    if (a !== null && b !== null) this.alignments.want({ a, b, align, offset });
    this.ready();
  }

  follow() {
    this.following?.abort();
    this.following = new AbortController();
    this.timelines = { a: null, b: null };
    for (const side of SIDES) {
      if (this[side] === null) continue;
      const came = (timeline) => {
        this.timelines[side] = timeline;
        this.ready();
      };
      followTimeline(this[side], this.following.signal, came, () => {});
    }
  }

  to(offset) {
    if (!this.isAligned) return;
    const { found, a, b } = this;
    this.offset = Math.max(-found.before, Math.min(found.count - 1, Math.round(offset)));
    this.moments.want({ offset: this.offset, found, a, b });
    this.ready();
  }

  by(frames) {
    this.to(this.offset + frames);
  }
}
