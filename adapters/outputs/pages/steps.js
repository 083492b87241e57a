// The step that the runner is in: a dash for each step, where he is in words, and the hint.

import { child, put } from "/pages/elements.js";
import { states, where } from "/pages/practice_words.js";

const MOST_DASHES = 16;

export class Steps {
  constructor(element) {
    this.element = element;
    this.dashes = child(element, "dashes");
    this.dashes.setAttribute("aria-hidden", "true");
    this.where = child(element, "where");
    this.hint = child(element, "hint");
    this.last = "";
  }

  // Shown where there are steps or where it was *asked* for.
  show(practice, asked, allowed) {
    const none = !practice || practice.steps === 0;
    const fresh = none ? "none" : [...states(practice), where(practice), practice.hint].join("\n");
    if (fresh === this.last) return { changed: false, pending: false };
    if (!allowed && this.last !== "") return { changed: false, pending: true };
    this.last = fresh;
    this.element.hidden = none && !asked;
    const shown = none || practice.steps > MOST_DASHES ? [] : states(practice);
    while (this.dashes.children.length > shown.length) this.dashes.lastChild.remove();
    while (this.dashes.children.length < shown.length) child(this.dashes, "dash");
    for (const [i, state] of shown.entries()) this.dashes.children[i].dataset.state = state;
    const words = none ? "no steps in the bridge file" : where(practice);
    put(this.where, words);
    const hint = none ? "" : practice.hint;
    put(this.hint, hint);
    this.hint.hidden = hint === "";
    this.element.dataset.empty = none ? "yes" : "no";
    return { changed: true, pending: false };
  }
}
