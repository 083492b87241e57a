// An expression that is not understood: the text, with a mark under where it stopped being so.

import { child, put } from "../shared/elements.js";

function firstLine(text) {
  return text.split("\n", 1)[0];
}

export class WrongText {
  constructor(element) {
    this.element = element;
    // the text first: what is said of it goes on from there
    this.caret = child(element, "caret", "p");
    this.caret.dir = "ltr";
    [this.before, this.spot, this.after] = ["", "spot", ""].map((name) => child(this.caret, name));
    this.fault = child(element, "fault", "p");
  }

  // *error* is {message, at} or null, *text* what it is said of.
  show(error, text) {
    this.element.hidden = error === null;
    if (error === null) return;
    const letters = [...text];
    const { at } = error;
    this.caret.hidden = at === null;
    put(this.before, letters.slice(0, at ?? 0).join(""));
    put(this.spot, letters[at] ?? " ");
    put(this.after, letters.slice((at ?? 0) + 1).join(""));
    put(this.fault, firstLine(error.message));
  }
}
