// The plan that is followed: which step is next, and where the game has left it.

import { child, put } from "../shared/elements.js";

export class Plan {
  constructor(element) {
    this.element = element;
    [this.where, this.slip, this.fresh] = ["where", "slip", "new"].map((name) => child(element, name));
    this.last = "";
  }

  // Shown where a plan is followed or where it was *asked* for.
  show({ plan, plan_words: words }, asked, allowed) {
    const none = !plan;
    const fresh = none ? "none" : [plan.stand, words.where, words.slip, words.new].join("\n");
    if (fresh === this.last) return { changed: false, pending: false };
    if (!allowed && this.last !== "") return { changed: false, pending: true };
    this.last = fresh;
    this.element.hidden = none && !asked;
    this.element.dataset.stand = none ? "" : plan.stand;
    this.element.dataset.empty = none ? "yes" : "no";
    put(this.where, none ? "no plan in the bridge file" : words.where);
    for (const [part, text] of [[this.slip, none ? "" : words.slip], [this.fresh, none ? "" : words.new]]) {
      put(part, text);
      part.hidden = text === "";
    }
    return { changed: true, pending: false };
  }
}
