// The heap as a strip, by address: what is used, what is free, and where the held block lies.

import { child, put } from "../shared/elements.js";
import { HeapFrame } from "../shared/heap_frame.js";
import { orderOf, widthsOf } from "../shared/heap_widths.js";
import { printable } from "../shared/printable.js";
import { freeWords } from "../shared/words.js";

const NARROW = 0.6; // of the strip, at most, for the least widths of all blocks
const HELD = 1.3; // times the bars' height: a held block, at least, so that no flag hides another
const NEAR = 0.7; // the same of those beside it
const GAP_FROM = 4; // blocks narrower than this in pixels get no gap between them

function heldWords(heap) {
  if (heap.held.length === 0) return "";
  const { label, index, owner } = heap.held[0];
  return `${label}: block ${index} of ${heap.count}, ${owner}`;
}

// Of several heaps the one of that name, without one the first.
function named(heap, name) {
  if (!heap || !name) return heap ?? null;
  return [heap, ...(heap.others ?? [])].find((each) => each.name === name) ?? null;
}

function words(heap, wanted, any) {
  if (!heap && any) return `no heap ${wanted}: the schema has ${[any, ...(any.others ?? [])].map(({ name }) => name ?? "[heap]").join(", ")}`;
  if (!heap) return "no heap: no watch reads it, or the schema describes none";
  if (heap.count === 0) return "the heap has no blocks";
  const parts = [heldWords(heap), `${heap.name ? `${heap.name}: ` : ""}${heap.count} blocks, ${freeWords(heap)}`];
  if (heap.damaged) parts.push(heap.awaited ? "not all there" : "damaged"); // where, and by which expression, the desk tells
  return parts.filter(Boolean).join("; ");
}

function bytesText(size) {
  return `0x${size.toString(16).toUpperCase()}`;
}

function endText(heap, order) {
  const last = heap.blocks[order.at(-1)];
  return last && !last[2] ? bytesText(last[1]) : "";
}

export class HeapStrip {
  // *wanted* is the name of the heap to show, empty for the first.
  constructor(element, wanted = "") {
    this.element = element;
    this.wanted = wanted;
    this.strip = child(element, "strip", "canvas");
    this.strip.setAttribute("role", "img");
    this.note = child(element, "note");
    this.last = "";
    this.heap = null;
    this.frame = new HeapFrame();
    new ResizeObserver(() => this.draw()).observe(this.strip);
  }

  // *heap* of the frame of that number, or of another.
  show(any, frame, asked, allowed) {
    const heap = named(any, this.wanted);
    if (this.frame.of(any, frame, performance.now()) === "wait") return { changed: false, pending: false };
    const fresh = JSON.stringify([heap, !any], (key, value) => (key === "frame" || key === "others" ? undefined : value));
    if (fresh === this.last) return { changed: false, pending: false };
    if (!allowed && this.last !== "") return { changed: false, pending: true };
    this.last = fresh;
    this.heap = heap;
    this.element.hidden = !asked;
    this.element.dataset.empty = heap ? "no" : "yes";
    const said = words(heap, this.wanted, any);
    put(this.note, said);
    this.strip.setAttribute("aria-label", printable(`heap: ${said}`));
    this.strip.hidden = !heap || heap.count === 0;
    this.draw();
    return { changed: true, pending: false };
  }

  draw() {
    const heap = this.heap;
    const ratio = devicePixelRatio || 1;
    const width = Math.round(this.strip.clientWidth * ratio);
    const height = Math.round(this.strip.clientHeight * ratio);
    if (!heap || width === 0 || height === 0) return;
    this.strip.width = width;
    this.strip.height = height;
    const style = getComputedStyle(this.strip);
    const colour = (name) => style.getPropertyValue(name).trim();
    const pen = this.strip.getContext("2d");
    const edge = Math.max(1, Math.round(height / 14));
    const top = Math.round(height * 0.3);
    const high = height - top - edge;
    pen.font = `${Math.round(high * 0.75)}px ${style.fontFamily}`;
    const places = this.places(width - 2 * edge, high, (text) => pen.measureText(text).width);
    pen.fillStyle = colour("--outline");
    pen.fillRect(0, top - edge, width, height - top + edge);
    const box = ({ left, width: wide }) =>
      [edge + left, top, Math.max(1, wide - (wide >= GAP_FROM ? edge : 0)), high];
    // its ends, where free space has the plate's own colour
    pen.fillStyle = colour("--absent");
    pen.fillRect(0, top - edge, width, 1);
    pen.fillRect(0, height - 1, width, 1);
    pen.fillRect(0, top - edge, 1, height);
    pen.fillRect(width - 1, top - edge, 1, height);
    for (const place of places.values()) {
      if (!heap.blocks[place.index][2]) continue;
      pen.fillStyle = colour("--used");
      pen.fillRect(...box(place));
    }
    for (const index of new Set(heap.held.map(({ index }) => index))) {
      const place = places.get(index);
      if (!place) continue;
      const [left, , wide] = box(place);
      pen.fillStyle = colour("--held");
      pen.fillRect(left, top, Math.max(wide, 2 * edge), high);
      this.point(pen, left + wide / 2, top - edge, colour);
    }
    const end = [...places.values()].at(-1);
    if (end?.isShort) this.end(pen, end, box(end), colour);
  }

  // Where each block is drawn: {index, left, width, isShort}, by its number.
  places(room, high, measure) {
    const { heap } = this;
    const order = orderOf(heap.blocks);
    const plain = Math.min(2, (NARROW * room) / heap.blocks.length);
    const least = new Float64Array(heap.blocks.length).fill(plain);
    const held = new Set(heap.held.map(({ index }) => index));
    const share = (NARROW * room) / Math.max(1, 3 * held.size);
    for (const [at, index] of order.entries()) {
      if (!held.has(index)) continue;
      for (const near of [order[at - 1], order[at + 1]]) {
        if (near !== undefined) least[near] = Math.max(least[near], Math.min(NEAR * high, share));
      }
    }
    for (const index of held) least[index] = Math.max(plain, Math.min(HELD * high, share));
    const text = measure(endText(heap, order)) + 1.8 * high;
    const pieces = widthsOf(heap, order, room, (index) => least[index], Math.min(text, room / 3));
    const places = new Map();
    let left = 0;
    for (const { index, width, cut } of pieces) {
      if (index >= 0) places.set(index, { index, left, width, isShort: cut && !heap.blocks[index][2] });
      left += width;
    }
    return places;
  }

  // A free end that is drawn short: how long it is, and two strokes where something is left out.
  end(pen, { index }, [left, top, wide, high], colour) {
    const text = bytesText(this.heap.blocks[index][1]);
    pen.textBaseline = "middle";
    pen.fillStyle = colour("--absent");
    if (pen.measureText(text).width <= wide - high) pen.fillText(printable(text), left + high / 3, top + high / 2);
    pen.strokeStyle = colour("--absent");
    pen.lineWidth = Math.max(1, high / 10);
    for (const x of [left + wide - high * 0.75, left + wide - high * 0.4]) {
      pen.beginPath();
      pen.moveTo(x + high / 6, top);
      pen.lineTo(x - high / 6, top + high);
      pen.stroke();
    }
  }

  // A flag above the held block, so that it is told by shape too.
  point(pen, x, y, colour) {
    const size = y * 0.9;
    const path = new Path2D(`M${x} ${y}l${-size} ${-size}h${2 * size}z`);
    pen.lineWidth = Math.max(1, size / 4);
    pen.strokeStyle = colour("--outline");
    pen.fillStyle = colour("--held");
    pen.fill(path);
    pen.stroke(path);
  }
}
