// The heap drawn as lines of writing: from the first byte to the last, line after line, each block
// as wide as it is long.  Used blocks are filled and carry their owner's name, free ones are open.
// A numbered pennant stands on each block that a watch points to.

import { printable } from "../shared/printable.js";
import { Stretch } from "./stretch.js";

const LINE = 36; // CSS pixels from line to line
const BAR = 22;
const NAME_FROM = 34; // pixels of width from which a name is written
const GAP_FROM = 3;

function rowsFor(blocks, width) {
  const wanted = Math.ceil(blocks / Math.max(6, width / 40));
  return Math.max(2, Math.min(10, wanted));
}

export class HeapMap {
  constructor(canvas) {
    this.canvas = canvas;
    this.rows = 1;
    this.heap = null;
  }

  height(rows) {
    return rows * LINE + 4;
  }

  draw(heap, order, pins, chosen, colours) {
    if (heap !== this.heap) this.stretch = new Stretch(heap, order);
    this.heap = heap;
    const { canvas } = this;
    const ratio = devicePixelRatio || 1;
    const wide = canvas.clientWidth;
    if (wide === 0) return;
    this.rows = rowsFor(heap.blocks.length, wide);
    const high = this.height(this.rows);
    if (canvas.style.height !== `${high}px`) canvas.style.height = `${high}px`;
    const width = Math.round(wide * ratio);
    const height = Math.round(high * ratio);
    if (canvas.width !== width || canvas.height !== height) {
      canvas.width = width;
      canvas.height = height;
    }
    const pen = canvas.getContext("2d");
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, wide, high);
    this.scale = (this.rows * wide) / this.stretch.length;
    this.wide = wide;
    for (let row = 0; row < this.rows; row++) {
      const top = this.top(row);
      pen.fillStyle = colours.free;
      pen.fillRect(0, top, wide, BAR);
      pen.fillStyle = colours.strong;
      pen.fillRect(0, top, wide, 1);
      pen.fillRect(0, top + BAR - 1, wide, 1);
    }
    pen.font = `12px ${getComputedStyle(canvas).fontFamily}`;
    pen.textBaseline = "middle";
    const chosenBlocks = new Set(pins.filter(({ watch }) => watch === chosen).map((p) => p.index));
    for (const [i, block] of heap.blocks.entries()) {
      this.block(pen, i, block[2], heap.owners[block[3]] ?? "", chosenBlocks.has(i), colours);
    }
    for (const [number, pin] of pins.entries()) {
      this.pin(pen, number + 1, pin, pin.watch === chosen, colours);
    }
  }

  top(row) {
    return row * LINE + LINE - BAR;
  }

  // The pieces of a stretch, one for each line that it touches: [row, left, width].
  pieces(place, length) {
    const from = place * this.scale;
    const to = from + length * this.scale;
    const pieces = [];
    for (let row = Math.max(0, Math.floor(from / this.wide)); row < this.rows; row++) {
      const left = Math.max(from, row * this.wide);
      const right = Math.min(to, (row + 1) * this.wide);
      if (right <= left) break;
      pieces.push([row, left - row * this.wide, right - left]);
    }
    return pieces;
  }

  block(pen, index, used, owner, chosen, colours) {
    const { from, widths } = this.stretch;
    let widest = null;
    for (const [row, left, width] of this.pieces(from[index], widths[index])) {
      const gap = width >= GAP_FROM ? 1 : 0;
      const top = this.top(row);
      const shown = Math.max(0.5, width - gap);
      if (used) {
        pen.fillStyle = colours.used;
        pen.fillRect(left, top, shown, BAR);
        // a thick base: free space has none
        pen.fillStyle = colours.line;
        pen.fillRect(left, top + BAR - 4, shown, 4);
      } else if (width >= 2 * GAP_FROM) {
        // the ends of free space: two thin uprights and a base line
        pen.fillStyle = colours.strong;
        pen.fillRect(left, top, 1, BAR);
        pen.fillRect(left + shown - 1, top, 1, BAR);
      }
      if (chosen) {
        pen.strokeStyle = colours.pin;
        pen.lineWidth = 3;
        pen.strokeRect(left + 1.5, top + 1.5, Math.max(2, shown - 3), BAR - 3);
      }
      if (widest === null || width > widest[2]) widest = [row, left, width];
    }
    if (widest !== null && this.stretch.isCut(index)) this.break(pen, widest, colours);
    if (widest !== null && widest[2] >= NAME_FROM && owner) {
      const [row, left, width] = widest;
      pen.save();
      pen.beginPath();
      pen.rect(left + 4, this.top(row), width - 9, BAR);
      pen.clip();
      pen.fillStyle = used ? colours.ink : colours.muted;
      pen.fillText(printable(owner.replaceAll("_", " ")), left + 5, this.top(row) + BAR / 2 - 0.5);
      pen.restore();
    }
  }

  // Two slanted strokes: here something is left out.
  break(pen, [row, left, width], colours) {
    const top = this.top(row);
    const x = left + width * 0.75;
    pen.fillStyle = colours.paper;
    pen.beginPath();
    pen.moveTo(x + 4, top - 1);
    pen.lineTo(x + 12, top - 1);
    pen.lineTo(x + 4, top + BAR + 1);
    pen.lineTo(x - 4, top + BAR + 1);
    pen.fill();
    pen.strokeStyle = colours.strong;
    pen.lineWidth = 1.5;
    for (const side of [0, 8]) {
      pen.beginPath();
      pen.moveTo(x + 4 + side, top - 2);
      pen.lineTo(x - 4 + side, top + BAR + 2);
      pen.stroke();
    }
  }

  pin(pen, number, { index, within }, chosen, colours) {
    const place = this.stretch.place(index, within ?? 0);
    const [row, left] = this.pieces(place, 1 / this.scale)[0] ?? [0, 0];
    const x = Math.round(Math.min(Math.max(left, 1), this.wide - 1)) + 0.5;
    const top = this.top(row);
    const text = String(number);
    const length = 11 + pen.measureText(text).width;
    const way = x + length > this.wide ? -1 : 1;
    pen.strokeStyle = colours.ink;
    pen.lineWidth = 1.5;
    pen.beginPath();
    pen.moveTo(x, top + BAR);
    pen.lineTo(x, top - 13);
    pen.stroke();
    pen.fillStyle = chosen ? colours.pin : colours.ink;
    pen.beginPath();
    pen.moveTo(x, top - 13);
    pen.lineTo(x + way * length, top - 13);
    pen.lineTo(x + way * (length - 4), top - 7.5);
    pen.lineTo(x + way * length, top - 2);
    pen.lineTo(x, top - 2);
    pen.fill();
    pen.fillStyle = colours.paper;
    pen.textAlign = way > 0 ? "left" : "right";
    pen.fillText(printable(text), x + way * 3, top - 7);
    pen.textAlign = "left";
  }

  // The number of the block under a place on the canvas; -1 without one.
  at(x, y) {
    if (!this.heap) return -1;
    const row = Math.min(this.rows - 1, Math.max(0, Math.floor(y / LINE)));
    return this.stretch.at((row * this.wide + x) / this.scale);
  }
}
