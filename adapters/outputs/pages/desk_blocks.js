// The heap's blocks as a table, a page of it at a time.

import { child, put } from "/pages/elements.js";

const PAGE = 24;

export function hexadecimal(number) {
  return `0x${number.toString(16).toUpperCase()}`;
}

export function ownerName(heap, block) {
  return (heap.owners[block[3]] ?? "").replaceAll("_", " ");
}

export class Blocks {
  constructor(element) {
    this.element = element;
    put(child(element, "", "summary"), "List of blocks");
    this.table = child(element, "blocks", "table");
    put(child(this.table, "unseen", "caption"), "blocks of the heap, in the order of its list");
    const head = child(child(this.table, "", "thead"), "", "tr");
    for (const title of ["block", "owner", "address", "bytes", "pointed to by"]) {
      const cell = child(head, "", "th");
      cell.scope = "col";
      put(cell, title);
    }
    this.body = child(this.table, "", "tbody");
    const line = child(element, "pages", "p");
    this.back = this.button(line, "Earlier blocks", -1);
    this.where = child(line, "aside");
    this.where.setAttribute("role", "status");
    this.on = this.button(line, "Later blocks", 1);
    this.page = 0;
    this.marked = -1;
    this.heap = null;
    this.pins = [];
    element.addEventListener("toggle", () => this.fill());
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
    this.fill();
  }

  mark(index) {
    this.marked = index;
    if (index >= 0) this.turn(Math.floor(index / PAGE));
  }

  show(heap, pins) {
    this.heap = heap;
    this.pins = pins;
    this.fill();
  }

  fill() {
    if (!this.element.open || !this.heap) return;
    const { heap } = this;
    const pages = Math.max(1, Math.ceil(heap.blocks.length / PAGE));
    this.page = Math.max(0, Math.min(pages - 1, this.page));
    this.back.setAttribute("aria-disabled", String(this.page === 0));
    this.on.setAttribute("aria-disabled", String(this.page === pages - 1));
    const first = this.page * PAGE;
    const blocks = heap.blocks.slice(first, first + PAGE);
    const last = first + blocks.length - 1;
    put(this.where, blocks.length ? `${first} to ${last} of ${heap.count}` : "none");
    while (this.body.children.length > blocks.length) this.body.lastChild.remove();
    while (this.body.children.length < blocks.length) {
      const row = child(this.body, "", "tr");
      child(row, "number", "th").scope = "row";
      for (const name of ["owner", "number", "number", "owner"]) child(row, name, "td");
    }
    for (const [i, block] of blocks.entries()) {
      const index = first + i;
      const row = this.body.children[i];
      const [number, owner, address, bytes, by] = row.children;
      put(number, String(index));
      put(owner, ownerName(heap, block) + (block[2] ? "" : heap.owners[block[3]] === "free" ? "" : ", not in use"));
      put(address, hexadecimal(block[0]));
      put(bytes, hexadecimal(block[1]));
      put(by, this.pins.filter((pin) => pin.index === index).map((pin) => pin.label).join(", "));
      row.classList.toggle("marked", index === this.marked);
    }
  }
}
