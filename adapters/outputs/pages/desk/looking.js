// Looking back: which past, which of its places, and what stands there.  It knows of no element.

import { Newest, faultWords, fetched } from "./newest.js";
import { MARKS, bare, placeOf } from "./past_words.js";
import { followTimeline, pathOf } from "./past_timeline.js";

function noneWords(way, kind, expr) {
  const side = way === "next" ? "after" : "before";
  return expr ? `nowhere ${side} this frame does it turn true` : `no ${MARKS[kind]} ${side} this frame`;
}

export class Looking {
  // *ready* asks for a painting; *live* gives the number of the newest live frame, or null.
  constructor(ready, live) {
    this.ready = ready;
    this.live = live;
    this.moments = new Newest(
      (wish, signal) => this.load(wish, signal),
      (wish, [snapshot, answer]) => {
        // of another question than the one that stands there now: not whole
        const { past, timeline } = this;
        if (wish.asked === this.asked) this.came = { ...wish, past, timeline, snapshot, answer };
        this.trouble = "";
        this.ready();
      },
      (wish, words) => {
        this.trouble = words;
        this.ready();
      },
    );
    this.asked = null; // what Working asks
    this.clear();
  }

  clear() {
    this.leave();
    this.came = null; // the newest moment: {place, asked, past, timeline, snapshot, answer}
  }

  // What came stays until something else does.
  leave() {
    this.moments.drop();
    this.leap?.control.abort();
    this.following?.abort();
    this.past = null;
    this.timeline = null;
    this.wanted = null; // a place
    this.trouble = ""; // why nothing comes
    this.broken = ""; // why the timeline does not come
    this.said = { text: "", error: null }; // what the last leap found
    this.leap = null;
    this.following = null;
  }

  // A moment with the answer of it, both or none; that it cannot be answered is an answer.
  load({ place, asked }, signal) {
    const answer = asked === null ? null
      : fetched(`${this.at}/answer.json?place=${place}&expr=${encodeURIComponent(asked)}`, signal).catch((fault) => {
        if (!fault.isFinal) throw fault;
        return { note: fault.message, error: null, result: null, steps: [], strip: null };
      });
    return Promise.all([fetched(`${this.at}/moment.json?place=${place}&parts=heap,desk`, signal), answer]);
  }

  get isOpen() {
    return this.past !== null;
  }

  get at() {
    return pathOf(this.past);
  }

  get second() {
    return Math.max(1, Math.round(this.timeline?.rate || 60));
  }

  open(past, place = null) {
    this.leave();
    this.past = past;
    this.follow(past, place);
    this.ready();
  }

  close() {
    this.clear();
    this.ready();
  }

  follow(past, place) {
    this.following = new AbortController();
    const came = (timeline) => {
      this.timeline = timeline;
      this.broken = timeline.fault;
      const first = place ?? this.first();
      if (this.wanted === null && timeline.count > 0 && first !== null) this.to(first);
      this.ready();
    };
    followTimeline(past, this.following.signal, came, (words) => {
      this.broken = words;
      this.ready();
    });
  }

  // Where to look at first: where the recording plays now, the end of what rolls, a clip's
  // beginning; null while that is not known.
  first() {
    const { timeline, past } = this;
    if (past.kind === "playing" && timeline.starts.length === 0 && !timeline.fault) return null;
    if (past.kind === "playing") return placeOf(timeline, this.live() ?? -1) ?? 0;
    return past.kind === "rolling" ? timeline.count - 1 : 0;
  }

  to(place) {
    if (this.timeline === null || this.timeline.count === 0) return;
    this.leap?.control.abort();
    this.leap = null;
    this.said = { text: "", error: null };
    this.go(place);
  }

  go(place) {
    const wanted = Math.max(0, Math.min(this.timeline.count - 1, Math.round(place)));
    if (wanted === this.wanted) return;
    this.wanted = wanted;
    this.fetch();
    this.ready();
  }

  // Nothing is said any more of what was looked for.
  forget() {
    this.said = { text: "", error: null };
    this.ready();
  }

  by(frames) {
    if (this.wanted !== null) this.to(this.wanted + frames);
  }

  // Working asks something else: moment and answer come anew, together.
  ask(text) {
    if (text === this.asked) return;
    this.asked = text;
    if (this.wanted !== null) this.fetch();
  }

  fetch() {
    this.moments.want({ place: this.wanted, asked: this.asked });
  }

  // To the next or previous mark of a kind, or to where an expression turned true.  While one is
  // looked for, of those that are asked for the last one waits.
  jump(way, { kind = "", expr = "" }) {
    if (this.wanted === null) return;
    if (this.leap !== null) this.leap.next = [way, { kind, expr }];
    else this.find(way, { kind, expr });
  }

  async find(way, { kind, expr }) {
    const control = new AbortController();
    const leap = { control, next: null };
    this.leap = leap;
    this.said = { text: expr ? "looking for it" : "", error: null };
    this.ready();
    const what = expr ? `expr=${encodeURIComponent(expr)}` : `kind=${kind}`;
    let said;
    try {
      const found = await fetched(`${this.at}/next.json?place=${this.wanted}&way=${way}&${what}`, control.signal);
      if (control.signal.aborted) return;
      const none = found.place === null ? noneWords(way, kind, expr) : expr ? `turned true at frame ${found.frame}` : "";
      said = { text: found.error ? "" : bare(found.words) || none, error: found.error ? { ...found.error, text: expr } : null };
      if (found.place !== null && !found.error) this.go(found.place);
    } catch (fault) {
      if (control.signal.aborted) return;
      said = { text: faultWords(fault), error: null };
    }
    this.leap = null;
    this.said = said;
    this.ready();
    if (leap.next !== null) this.jump(...leap.next);
  }
}
