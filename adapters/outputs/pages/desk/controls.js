// What is asked of lowhalf by a button or a key: to keep the last minute, and the next frame of a
// recording that is stepped.

import { put } from "../shared/elements.js";

const LOST = "no connection to lowhalf: nothing was asked for";

export class Controls {
  // *buttons* by what they ask for; what is said of it goes to *told*.
  constructor(buttons, told) {
    this.buttons = buttons;
    this.told = told;
    for (const [what, button] of Object.entries(buttons)) button.addEventListener("click", () => this.ask(what));
  }

  // *controls* is what can be asked for.
  offer(controls) {
    for (const [what, button] of Object.entries(this.buttons)) button.hidden = !controls.includes(what);
  }

  async ask(what) {
    if (what === "keep") put(this.told, "keeping the last minute");
    put(this.told, await this.words(what));
  }

  async words(what) {
    try {
      const answer = await fetch(`/${what}`, { method: "POST" });
      return (await answer.json()).words;
    } catch {
      return LOST;
    }
  }
}
