// The heap: a sentence, the map, what each pointer watch points to, what owns how much, the list.

import { child, put } from "../shared/elements.js";
import { HeapFrame } from "../shared/heap_frame.js";
import { orderOf } from "../shared/heap_widths.js";
import { Keyed } from "../shared/keyed.js";
import { printable } from "../shared/printable.js";
import { freeWords } from "../shared/words.js";
import { Blocks, hexadecimal, ownerName } from "./blocks.js";
import { colours, whenColoursChange } from "../shared/colours.js";
import { HeapMap } from "./map.js";
import { pinsOf } from "./pins.js";
import { Room } from "./room.js";
import { fillOptions } from "./select_options.js";
import { Swatch } from "./swatch.js";

const MOST_KINDS = 24;

function counted(count, word) {
  return `${count} ${word}${count === 1 ? "" : "s"}`;
}

function sentence(heap) {
  if (heap.count === 0) return `the heap has no blocks${heap.empty ? `: ${heap.empty}` : ""}`;
  const more = heap.count > heap.blocks.length ? `, of which ${heap.blocks.length} are shown` : "";
  return `${counted(heap.count, "block")}${more}, ${freeWords(heap)}`;
}

// [owner, blocks, bytes], the largest first
function shares(heap) {
  const sums = heap.owners.map((owner) => [owner, 0, 0]);
  for (const [, size, , owner] of heap.blocks) {
    sums[owner][1]++;
    sums[owner][2] += size;
  }
  return sums.sort((one, other) => other[2] - one[2]);
}

function sameBlocks(one, other) {
  if (!one || one.blocks.length !== other.blocks.length || one.start !== other.start) return false;
  for (let i = 0; i < one.blocks.length; i++) {
    const [a, b] = [one.blocks[i], other.blocks[i]];
    if (a[0] !== b[0] || a[1] !== b[1] || a[2] !== b[2]) return false;
    if (one.owners[a[3]] !== other.owners[b[3]]) return false;
  }
  return true;
}

function nameOf(heap) {
  return heap.name ? `heap ${heap.name}` : "heap";
}

function lineRow() {
  const element = document.createElement("li");
  element.dir = "auto";
  return { element };
}

function kindRow() {
  const element = document.createElement("li");
  element.dir = "auto";
  const swatch = child(element, "swatch", "canvas");
  swatch.setAttribute("aria-hidden", "true");
  return { element, canvas: swatch, swatch: new Swatch(swatch), words: child(element, "words") };
}

export class HeapPanel {
  constructor(element) {
    this.element = element;
    this.several = child(element, "pages", "p");
    this.several.hidden = true;
    const label = child(this.several, "", "label");
    put(child(label, ""), "heap ");
    this.pick = child(label, "", "select"); // which of several
    this.said = child(element, "sentence", "p");
    this.damage = child(element, "fault", "p");
    const place = child(element, "lists", "div");
    const lists = child(place, "", "div");
    this.canvas = child(lists, "heap-map", "canvas");
    this.canvas.setAttribute("role", "img");
    this.under = child(lists, "aside under", "p");
    this.under.setAttribute("aria-hidden", "true");
    this.room = new Room(place, lists);
    this.pinList = child(lists, "pins", "ol");
    this.pinList.setAttribute("aria-label", "pointers into the heap");
    this.shares = child(lists, "shares", "ul");
    this.shares.setAttribute("aria-label", "kinds of blocks");
    this.shares.setAttribute("role", "list");
    this.pinLines = new Keyed(this.pinList, lineRow);
    this.shareLines = new Keyed(this.shares, kindRow);
    this.blocks = new Blocks(child(element, "", "details"));
    this.map = new HeapMap(this.canvas);
    this.pointed = null; // where the pointer is over the map
    this.heap = null;
    this.frame = new HeapFrame();
    this.pins = [];
    this.order = [];
    this.last = "";
    this.chosen = "";
    this.given = null; // what was shown last, so that another heap of it shows at once
    this.pick.addEventListener("change", () => {
      if (this.given === null) return;
      this.last = "";
      this.show(...this.given);
    });
    this.canvas.addEventListener("pointermove", (event) => this.hover(event));
    this.canvas.addEventListener("pointerleave", () => {
      this.pointed = null;
      put(this.under, "");
    });
    this.canvas.addEventListener("click", (event) => {
      this.blocks.element.open = true;
      this.blocks.mark(this.map.at(event.offsetX, event.offsetY));
    });
    const again = () => {
      this.draw();
      if (this.heap !== null) this.legend(shares(this.heap));
    };
    new ResizeObserver(again).observe(this.canvas);
    whenColoursChange(again);
  }

  hover(event) {
    this.pointed = [event.offsetX, event.offsetY];
    this.tell();
  }

  // The block under the pointer, also where blocks move below it.
  tell() {
    if (this.pointed === null) return;
    const index = this.map.at(...this.pointed);
    if (index < 0) {
      put(this.under, "between blocks");
      return;
    }
    const block = this.heap.blocks[index];
    const [start, size] = block;
    put(this.under, `block ${index}, ${ownerName(this.heap, block)}: ${hexadecimal(size)} bytes at ${hexadecimal(start)}`);
  }

  // *whole* says that no older heap may stand beside the frame, not even for a moment.
  show(snapshot, chosen, allowed, whole = false) {
    this.given = [snapshot, chosen, allowed, whole];
    const heap = this.picked(snapshot.heap ?? null);
    if (heap === null) this.room.reset();
    else this.room.settle();
    if (heap === null) {
      const none = this.last === "none";
      this.last = "none";
      this.heap = null;
      for (const part of [this.canvas, this.pinList, this.shares, this.blocks.element, this.damage]) {
        part.hidden = true;
      }
      const early = snapshot.frame === null || snapshot.stats?.frames === 0;
      put(this.said, early ? "no heap before the first frame" : "no heap: the schema describes none, or it was not read yet");
      put(this.under, "");
      return { changed: !none, pending: false };
    }
    // pennants are of the heap's own frame, or there are none
    const frame = this.frame.of(heap, snapshot.frame, performance.now());
    if (frame === "wait" && this.heap !== null && !whole) return { changed: false, pending: false };
    const moved = !sameBlocks(this.heap, heap);
    const order = moved ? orderOf(heap.blocks) : this.order;
    const pins = frame === "same" ? pinsOf(heap, order, snapshot.readings) : [];
    const fresh = JSON.stringify([pins, heap.damaged, heap.empty, heap.count, chosen]);
    if (!moved && fresh === this.last) return { changed: false, pending: false };
    // what a chosen watch points to may show at once: the user asked for it
    if (!allowed && this.last !== "" && chosen === this.chosen) return { changed: false, pending: true };
    Object.assign(this, { heap, order, pins, last: fresh, chosen });
    this.say();
    this.draw();
    this.tell();
    this.blocks.show(heap, pins);
    return { changed: true, pending: false };
  }

  // Of several heaps the one that is picked, the first at first.
  picked(heap) {
    const all = heap === null ? [] : [heap, ...(heap.others ?? [])];
    this.several.hidden = all.length < 2;
    if (all.length < 2) return heap;
    fillOptions(this.pick, all.map(({ name }) => [name ?? "", name ?? "without a name"]));
    return all.find(({ name }) => (name ?? "") === this.pick.value) ?? heap;
  }

  say() {
    const { heap, pins } = this;
    const some = heap.blocks.length > 0;
    put(this.said, sentence(heap));
    put(this.damage, heap.damaged ? `${heap.awaited ? "not all there" : "damaged"}: ${heap.damaged}` : "");
    this.damage.hidden = !heap.damaged;
    this.canvas.hidden = this.shares.hidden = this.blocks.element.hidden = !some;
    this.pinList.hidden = pins.length === 0;
    this.canvas.setAttribute("aria-label", printable(`map of the ${nameOf(heap)}: ${sentence(heap)}`));
    this.fit(this.pinLines, pins.map(({ label, index, within, watch }) => {
      const place = within === null ? "" : within === 0 ? ", its first byte" : `, ${hexadecimal(within)} bytes into it`;
      return [watch, `${label}: block ${index}, ${ownerName(heap, heap.blocks[index])}${place}`, watch === this.chosen];
    }));
    this.legend(shares(heap));
  }

  // What stands for each kind, the largest first.
  legend(parts) {
    const rest = parts.length - MOST_KINDS;
    const lines = parts.slice(0, MOST_KINDS);
    if (rest > 0) lines.push(["", rest, 0]);
    const inks = colours();
    this.shareLines.show(lines, ([owner]) => owner, ({ canvas, swatch, words }, [owner, count, bytes]) => {
      canvas.hidden = owner === "";
      const kind = this.map.kinds.of(owner);
      const name = owner.replaceAll("_", " ");
      const what = `${counted(count, "block")}, ${hexadecimal(bytes)} bytes`;
      put(words, owner === "" ? `${counted(count, "more kind")}` : `${name}: ${what}`);
      if (owner !== "") swatch.show(kind, inks);
    });
  }

  fit(list, lines) {
    list.show(lines, ([key]) => key, ({ element }, [, text, chosen]) => {
      put(element, text);
      element.classList.toggle("chosen", chosen);
    });
  }

  draw() {
    if (this.heap !== null && !this.canvas.hidden) {
      this.map.draw(this.heap, this.order, this.pins, this.chosen, colours());
    }
  }
}
