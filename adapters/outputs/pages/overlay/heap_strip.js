// The heap as a strip, by address: what is used, what is free, and where the held block lies.

import { child, put } from "../shared/elements.js";
import { HeapFrame } from "../shared/heap_frame.js";
import { printable } from "../shared/printable.js";

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
  const free = heap.bytes > 0 ? Math.round((heap.free_bytes / heap.bytes) * 100) : 0;
  const parts = [heldWords(heap), `${heap.name ? `${heap.name}: ` : ""}${heap.count} blocks, ${free} % free`];
  if (heap.damaged) parts.push("damaged"); // where, and by which expression, the desk tells
  return parts.filter(Boolean).join("; ");
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
    const scale = (width - 2 * edge) / Math.max(1, heap.end - heap.start);
    const across = (address) => edge + (address - heap.start) * scale;
    pen.fillStyle = colour("--outline");
    pen.fillRect(0, top - edge, width, height - top + edge);
    const box = (start, size) => {
      const left = across(start);
      const wide = Math.max(1, size * scale - (size * scale >= GAP_FROM ? edge : 0));
      return [left, top, wide, height - top - edge];
    };
    // its ends, where free space has the plate's own colour
    pen.fillStyle = colour("--absent");
    pen.fillRect(0, top - edge, width, 1);
    pen.fillRect(0, height - 1, width, 1);
    pen.fillRect(0, top - edge, 1, height);
    pen.fillRect(width - 1, top - edge, 1, height);
    for (const [start, size, used] of heap.blocks) {
      if (!used) continue;
      pen.fillStyle = colour("--used");
      pen.fillRect(...box(start, size));
    }
    for (const { start, size } of heap.held) {
      const [left, , wide, high] = box(start, size);
      pen.fillStyle = colour("--held");
      pen.fillRect(left, top, Math.max(wide, 2 * edge), high);
      this.point(pen, left + wide / 2, top - edge, colour);
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
