// The heap drawn as lines of writing: from the first byte to the last, line after line.  Used blocks
// are filled, with their kind's code and its pattern at their base; free ones are open.  Those that
// a watch points to are enlarged, with name and size, and have a pennant.

import { Kinds } from "../shared/kinds.js";
import { printable } from "../shared/printable.js";
import { mapRows, nameText, sizeText } from "./map_rows.js";
import { patternOf } from "./patterns.js";
import { drawPennant } from "./pennants.js";

export const BASE = 7; // pixels of a block that have its pattern
const GAP_FROM = 3; // pixels of width from which blocks have a line between them
export const FONT = 12; // pixels
const SMALL = 11;

export class HeapMap {
  constructor(canvas) {
    this.canvas = canvas;
    this.kinds = new Kinds();
    this.heap = null;
    this.map = { rows: [], pennants: [], numbers: [], height: 0 };
  }

  draw(heap, order, pins, chosen, colours) {
    this.heap = heap;
    const { canvas } = this;
    const ratio = devicePixelRatio || 1;
    const wide = canvas.clientWidth;
    if (wide === 0) return;
    const pen = canvas.getContext("2d");
    const { fontFamily } = getComputedStyle(canvas);
    const font = `${FONT}px ${fontFamily}`;
    pen.font = font;
    const widths = new Map(); // of texts
    const measure = (text) => {
      if (!widths.has(text)) widths.set(text, pen.measureText(text).width);
      return widths.get(text);
    };
    this.map = mapRows({ heap, order, pins, wide, kinds: this.kinds, measure });
    const high = this.map.height;
    if (canvas.style.height !== `${high}px`) canvas.style.height = `${high}px`;
    const width = Math.round(wide * ratio);
    const height = Math.round(high * ratio);
    if (canvas.width !== width || canvas.height !== height) {
      canvas.width = width;
      canvas.height = height;
    }
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, wide, high);
    pen.font = font;
    pen.textBaseline = "middle";
    const pointed = new Set(pins.filter(({ watch }) => watch === chosen).map(({ index }) => index));
    for (const row of this.map.rows) {
      for (const cell of row.cells) {
        if (cell.index >= 0) this.block(pen, row, cell, pointed.has(cell.index), measure, colours);
      }
    }
    pen.fillStyle = colours.muted;
    pen.font = `${SMALL}px ${fontFamily}`;
    for (const { text, left, top } of this.map.numbers) pen.fillText(printable(text), left, top + 7);
    pen.font = font;
    const bars = new Map(this.map.rows.flatMap(({ bar, cells }) => cells.map(({ index }) => [index, bar])));
    for (const pennant of this.map.pennants) {
      drawPennant(pen, pennant, pointed.has(pennant.index), bars.get(pennant.index), colours);
    }
    this.ticks(pen, colours);
  }

  block(pen, { bar, high }, cell, isChosen, measure, colours) {
    const { index, left, width } = cell;
    const [, size, used, owner] = this.heap.blocks[index];
    const { code, pattern } = this.kinds.of(this.heap.owners[owner] ?? "");
    const shown = Math.max(0.5, width - (width >= GAP_FROM ? 1 : 0));
    const base = bar + high - BASE;
    if (used) {
      pen.fillStyle = colours.used;
      pen.fillRect(left, bar, shown, high - BASE);
      pen.fillStyle = patternOf(pen, Math.max(0, pattern), colours.line);
      pen.fillRect(left, base, shown, BASE);
    }
    if (width >= 2 * GAP_FROM) {
      pen.strokeStyle = colours.strong;
      pen.lineWidth = 1;
      pen.strokeRect(left + 0.5, bar + 0.5, Math.max(1, shown - 1), high - 1);
    } else if (!used) {
      pen.fillStyle = colours.strong;
      pen.fillRect(left, bar, shown, 1);
      pen.fillRect(left, bar + high - 1, shown, 1);
    }
    if (isChosen) {
      pen.strokeStyle = colours.pin;
      pen.lineWidth = 3;
      pen.strokeRect(left + 1.5, bar + 1.5, Math.max(2, shown - 3), high - 3);
    }
    if (cell.cut) this.break(pen, left + width - 13, bar, high, colours);
    const room = shown - (cell.cut ? 22 : 6);
    const lines = this.written({ index, size, code, high, room }, measure);
    pen.fillStyle = used ? colours.ink : colours.muted;
    for (const [i, text] of lines.entries()) {
      pen.fillText(printable(text), left + 3.5, bar + 8 + i * 13);
    }
  }

  // What is written in a block: what has room in it, whole, and nothing else.
  written({ index, size, code, high, room }, measure) {
    const fits = (text) => text !== "" && measure(text) <= room;
    const name = nameText(this.heap, index);
    const title = [name, code].find(fits);
    const bytes = [`${sizeText(size)} bytes`, sizeText(size)].find(fits);
    if (high > 30) return [title, bytes].filter(Boolean);
    // a free block has no code: how long it is says more than its name
    return [code === "" ? bytes ?? title : title].filter(Boolean);
  }

  // Two slanted strokes: here something is left out.
  break(pen, x, top, high, colours) {
    pen.fillStyle = colours.paper;
    pen.beginPath();
    pen.moveTo(x + 3, top - 1);
    pen.lineTo(x + 10, top - 1);
    pen.lineTo(x + 4, top + high + 1);
    pen.lineTo(x - 3, top + high + 1);
    pen.fill();
    pen.strokeStyle = colours.strong;
    pen.lineWidth = 1.5;
    for (const side of [0, 7]) {
      pen.beginPath();
      pen.moveTo(x + 3 + side, top - 1);
      pen.lineTo(x - 3 + side, top + high + 1);
      pen.stroke();
    }
  }

  // Where in its block each pointer points.
  ticks(pen, colours) {
    pen.fillStyle = colours.ink;
    for (const { bar, high, cells } of this.map.rows) {
      const mine = new Map(cells.map((cell) => [cell.index, cell]));
      for (const { index, pins } of this.map.pennants) {
        const cell = mine.get(index);
        if (!cell) continue;
        for (const { within } of pins) {
          if (within === null) continue;
          const share = cell.size > 0 ? Math.min(within, cell.size - 1) / cell.size : 0;
          const x = cell.left + share * (cell.width - 3);
          pen.fillRect(x, bar + high - BASE - 4, 2, BASE + 4);
        }
      }
    }
  }

  // The number of the block under a place on the canvas; -1 without one.
  at(x, y) {
    const row = this.map.rows.findLast(({ top }) => y >= top) ?? this.map.rows[0];
    return row?.cells.find(({ left, width }) => x >= left && x < left + width)?.index ?? -1;
  }
}
