// The heap's blocks as a table, a page of it at a time.

import { child, put } from "../shared/elements.js";
import { Keyed } from "../shared/keyed.js";

const PAGE = 24;

export function hexadecimal(number) {
  return `0x${number.toString(16).toUpperCase()}`;
}

export function ownerName(heap, block) {
  return (heap.owners[block[3]] ?? "").replaceAll("_", " ");
}

function blockRow() {
  const element = document.createElement("tr");
  const number = child(element, "number", "th");
  number.scope = "row";
  const cells = ["owner", "number", "number", "owner"].map((name) => child(element, name, "td"));
  return { element, cells: [number, ...cells] };
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
    this.rows = new Keyed(child(this.table, "", "tbody"), blockRow);
    const line = child(element, "pages", "p");
    this.back = this.button(line, "Earlier blocks", -1);
    this.where = child(line, "aside");
    this.where.setAttribute("role", "status");
    this.on = this.button(line, "Later blocks", 1);
    this.page = 0;
    this.marked = null; // the address of a block
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
    this.marked = this.heap?.blocks[index]?.[0] ?? null;
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
    // a block is told from others by its address: it stays itself where one before it comes or goes
    this.rows.show(blocks, ([start]) => start, ({ element, cells }, block, i) => {
      const index = first + i;
      const [number, owner, address, bytes, by] = cells;
      put(number, String(index));
      put(owner, ownerName(heap, block) + (block[2] ? "" : heap.owners[block[3]] === "free" ? "" : ", not in use"));
      put(address, hexadecimal(block[0]));
      put(bytes, hexadecimal(block[1]));
      put(by, this.pins.filter((pin) => pin.index === index).map((pin) => pin.label).join(", "));
      element.classList.toggle("marked", block[0] === this.marked);
    });
  }
}
