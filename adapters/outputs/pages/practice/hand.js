// What the runner asks of lowhalf: count this, undo, again.  In their order, one after the other.

import { child, put } from "../shared/elements.js";

const LOST = "no connection to lowhalf: nothing was counted";

export const ACTIONS = { count: "Count this", undo: "Undo", again: "Again" };

export class Hand {
  // A button each in *element*; what became of it goes to *told*.
  constructor(element, told) {
    this.element = element;
    this.told = told;
    this.queue = Promise.resolve();
    this.marks = {};
    for (const [what, words] of Object.entries(ACTIONS)) {
      const button = child(element, `hand ${what}`, "button");
      button.type = "button";
      put(child(button, "words"), words);
      this.marks[what] = child(button, "marks");
      button.addEventListener("click", () => this.ask(what));
      // a key that is held on it counts once
      button.addEventListener("keydown", (event) => {
        if (event.repeat) event.preventDefault();
      });
    }
  }

  get offered() {
    return !this.element.hidden;
  }

  // *controls* is what can be asked for.
  offer(controls) {
    this.element.hidden = !controls.includes("by_hand");
  }

  // What a button's key and pad button are called.
  name(what, names) {
    const { [what]: marks } = this.marks;
    marks.replaceChildren();
    for (const name of names) put(child(marks, "", "kbd"), name);
  }

  ask(what) {
    if (!this.offered) return;
    this.queue = this.queue.then(async () => put(this.told, await answer(what)));
  }
}

async function answer(what) {
  let reply;
  try {
    reply = await fetch(`/${what}`, { method: "POST" });
  } catch {
    return LOST;
  }
  try {
    return (await reply.json()).words;
  } catch {
    return `lowhalf answered ${reply.status}: nothing is known of what was counted`;
  }
}
