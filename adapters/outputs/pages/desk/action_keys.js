// Keys of actions: a button each, and the key itself, mark in the recording that one was done.

import { child, put } from "../shared/elements.js";

export class ActionKeys {
  // *press* is called with a key, and *offered* with what they do, as rows of keys.
  constructor(element, press, offered) {
    this.element = element;
    this.press = press;
    this.offered = offered;
    this.shown = "{}";
  }

  // *keys* has the actions by their keys.
  offer(keys) {
    const shown = JSON.stringify(keys);
    if (shown === this.shown) return;
    this.shown = shown;
    this.element.replaceChildren();
    for (const [key, action] of Object.entries(keys)) {
      const button = child(this.element, "plain", "button");
      button.type = "button";
      put(child(button, "", "span"), `${action} `);
      put(child(button, "", "kbd"), key);
      button.addEventListener("click", () => this.press(key));
    }
    this.offered(Object.entries(keys).map(([key, action]) => [
      key, `mark in the recording: ${action} is done`, () => this.press(key),
    ]));
  }
}
