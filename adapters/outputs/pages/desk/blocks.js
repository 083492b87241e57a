// The heap's blocks as a table, a page of it at a time.

import { child, headed, put } from "../shared/elements.js";
import { Keyed } from "../shared/keyed.js";
import { PageTurner } from "./page_turner.js";

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
    const table = child(element, "blocks", "table");
    put(child(table, "unseen", "caption"), "blocks of the heap, in the order of its list");
    this.rows = new Keyed(headed(table, ["block", "owner", "address", "bytes", "pointed to by"]), blockRow);
    this.pages = new PageTurner(child(element, "pages", "p"), "blocks", PAGE, () => this.fill());
    this.marked = null; // the address of a block
    this.heap = null;
    this.pins = [];
    element.addEventListener("toggle", () => this.fill());
  }

  mark(index) {
    this.marked = this.heap?.blocks[index]?.[0] ?? null;
    if (index >= 0) this.pages.turn(Math.floor(index / PAGE));
  }

  show(heap, pins) {
    this.heap = heap;
    this.pins = pins;
    this.fill();
  }

  fill() {
    if (!this.element.open || !this.heap) return;
    const { heap } = this;
    const { first, some: blocks } = this.pages.shown(heap.blocks);
    const last = first + blocks.length - 1;
    put(this.pages.where, blocks.length ? `${first} to ${last} of ${heap.count}` : "none");
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
