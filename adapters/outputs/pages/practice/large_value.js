// The one value that is large.

import { child, put } from "../shared/elements.js";
import { Row } from "../shared/rows.js";
import { Fitted } from "./fitted.js";

export class LargeValue {
  constructor(element) {
    this.element = element;
    this.row = null;
    this.longest = "";
  }

  show(reading, seconds, pace) {
    if (reading === null) {
      this.row = null;
      this.element.replaceChildren();
      put(child(this.element, "none", "p"), "there are no watches");
      return;
    }
    if (this.row?.name !== reading.watch) this.choose(reading);
    const { row } = this;
    row.show(reading, seconds, pace);
    const text = row.value.textContent;
    if (text.length > this.longest.length) this.longest = text;
    const room = row.value.dataset.room;
    const widest = this.longest.length > room.length ? this.longest : room;
    // what cannot be seen holds the room, so that nothing moves when a number loses a digit
    put(this.ghost, widest);
    this.value.fit(widest);
    this.label.fit(row.label.textContent);
    this.state.fit(row.state.dataset.room);
  }

  choose(reading) {
    this.row = new Row(reading, true);
    this.longest = "";
    const box = document.createElement("span");
    box.className = "value-box";
    this.row.value.replaceWith(box);
    this.ghost = child(box, "ghost");
    this.ghost.setAttribute("aria-hidden", "true");
    box.append(this.row.value);
    this.row.label.dir = this.row.value.dir = this.row.words.dir = "auto";
    this.value = new Fitted(box);
    this.label = new Fitted(this.row.label);
    this.state = new Fitted(this.row.state);
    this.element.replaceChildren(this.row.element);
  }
}
