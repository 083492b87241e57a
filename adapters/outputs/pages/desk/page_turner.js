// Turns the pages of a long table: two buttons, and between them what is shown of how much.

import { child, put } from "../shared/elements.js";

export class PageTurner {
  // *turned* is called where another page, of *size* rows, is wanted.
  constructor(line, what, size, turned) {
    this.size = size;
    this.turned = turned;
    this.page = 0;
    this.back = this.button(line, `Earlier ${what}`, -1);
    this.where = child(line, "aside");
    this.where.setAttribute("role", "status");
    this.on = this.button(line, `Later ${what}`, 1);
  }

  button(line, text, step) {
    const button = child(line, "plain", "button");
    button.type = "button";
    put(button, text);
    // at the end it stays where it is, so that the focus does too
    button.addEventListener("click", () => this.turn(this.page + step));
    return button;
  }

  turn(page) {
    this.page = page;
    this.turned();
  }

  // Those of *all* that the page shows, and the index of the first.  A page that is not there any
  // more gives way to the last.
  shown(all) {
    const pages = Math.max(1, Math.ceil(all.length / this.size));
    this.page = Math.max(0, Math.min(pages - 1, this.page));
    this.back.setAttribute("aria-disabled", String(this.page === 0));
    this.on.setAttribute("aria-disabled", String(this.page === pages - 1));
    const first = this.page * this.size;
    return { first, some: all.slice(first, first + this.size) };
  }
}
