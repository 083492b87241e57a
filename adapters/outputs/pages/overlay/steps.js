// The step that the runner is in: a dash for each step with the frames beside it, where he is in
// words, and the hint.

import { child, put } from "../shared/elements.js";
import { missedNow, spentWords, states, timedWords, where, windowWords } from "../shared/practice_words.js";

const MOST_DASHES = 16;

export class Steps {
  constructor(element) {
    this.element = element;
    const spent = child(element, "spent");
    this.dashes = child(spent, "dashes");
    this.dashes.setAttribute("aria-hidden", "true");
    this.count = child(spent, "count");
    this.where = child(element, "where");
    this.hint = child(element, "hint");
    this.last = "";
  }

  // Shown where there are steps or where it was *asked* for.
  show(practice, asked, allowed) {
    const none = !practice || practice.steps === 0;
    const hint = none ? "" : [timedWords(practice), practice.hint].filter(Boolean).join("; ");
    const fresh = none ? "none" : [...states(practice), where(practice), hint].join("\n");
    if (fresh === this.last) {
      this.tick(practice); // frames are no emphasis: they go on
      return { changed: false, pending: false };
    }
    // while the step waits, so do its frames: they must not be another step's
    if (!allowed && this.last !== "") return { changed: false, pending: true };
    this.last = fresh;
    this.element.hidden = none && !asked;
    const shown = none || practice.steps > MOST_DASHES ? [] : states(practice);
    while (this.dashes.children.length > shown.length) this.dashes.lastChild.remove();
    while (this.dashes.children.length < shown.length) child(this.dashes, "dash");
    for (const [i, state] of shown.entries()) this.dashes.children[i].dataset.state = state;
    const words = none ? "no steps in the bridge file" : where(practice);
    put(this.where, words);
    put(this.hint, hint);
    this.hint.hidden = hint === "";
    this.element.dataset.empty = none ? "yes" : "no";
    this.tick(practice);
    return { changed: true, pending: false };
  }

  tick(practice) {
    const none = !practice || practice.steps === 0;
    const words = none ? [] : [spentWords(practice), windowWords(practice), missedNow(practice)];
    put(this.count, words.filter(Boolean).join(", "));
  }
}
