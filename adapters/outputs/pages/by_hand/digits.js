// The digits that are typed for one question, as places for each byte.

import { child, label, put } from "../shared/elements.js";

const HEX = /^[0-9a-f]$/i;

export class Digits {
  // Shown in *element*; *changed* is called when they are complete, or are not any more.
  constructor(element, changed) {
    this.element = element;
    this.changed = changed;
    this.size = 0;
    this.text = "";
    this.sent = false;
  }

  // They were sent and did not stand: the next digit begins anew, while a slip can be deleted.
  refused() {
    this.sent = true;
  }

  // For another question, of *size* bytes.
  begin(size) {
    this.size = size;
    this.text = "";
    this.sent = false;
    this.show();
  }

  get complete() {
    return this.size > 0 && this.text.length === 2 * this.size;
  }

  type(digit) {
    if (!HEX.test(digit)) return;
    if (this.sent) this.text = "";
    this.sent = false;
    if (this.text.length >= 2 * this.size) return;
    this.text += digit.toUpperCase();
    this.show();
  }

  back() {
    this.text = this.text.slice(0, -1);
    this.sent = false;
    this.show();
  }

  show() {
    this.element.replaceChildren();
    this.element.dataset.many = this.size > 8 ? "yes" : "no";
    for (let byte = 0; byte < this.size; byte++) {
      const group = child(this.element, "byte");
      for (let half = 0; half < 2; half++) {
        const place = 2 * byte + half;
        const digit = child(group, place === this.text.length ? "digit next" : "digit");
        put(digit, this.text[place] ?? "\u00a0");
      }
    }
    const said = this.text === "" ? "nothing typed yet" : `typed so far: ${[...this.text].join(" ")}`;
    label(this.element, this.size > 0 ? said : "nothing is asked");
    this.changed();
  }
}
