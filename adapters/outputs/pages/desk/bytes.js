// The bytes around a value in rows of eight: a bar under those of the value, a second one and a
// word under the half or the byte that is meant.

import { child, put } from "../shared/elements.js";
import { printable } from "../shared/printable.js";

const ROW = 8;

function hex(number, digits) {
  return number.toString(16).toUpperCase().padStart(digits, "0");
}

function within(place, range) {
  return range !== null && place >= range[0] && place < range[0] + range[1];
}

function written(bytes, [from, count]) {
  return bytes.slice(from, from + count).map((byte) => (byte === null ? "not held" : hex(byte, 2)));
}

function sentence({ address, bytes, value, part, order, type }) {
  const words = [
    `${bytes.length} bytes from ${hex(address, 8)}`,
    `the value, ${type}, is at ${hex(address + value[0], 8)}: ${written(bytes, value).join(" ")}`,
  ];
  if (part) {
    words.push(`of it ${hex(address + part[0], 8)} is meant: ${written(bytes, part).join(" ")}`);
  }
  words.push(`${order}-endian`);
  return words.join("; ");
}

export class Bytes {
  constructor(element) {
    this.element = element;
    this.picture = child(element, "bytes", "div");
    this.picture.setAttribute("role", "img");
    this.legend = child(element, "legend aside", "p");
    this.cells = [];
    this.rows = [];
    this.last = "";
  }

  show(strip) {
    const fresh = JSON.stringify(strip);
    if (fresh === this.last) return;
    this.last = fresh;
    this.element.hidden = !strip;
    if (!strip) return;
    this.fit(strip.bytes.length);
    for (const [i, row] of this.rows.entries()) put(row, hex(strip.address + i * ROW, 8));
    for (const [i, cell] of this.cells.entries()) {
      const byte = strip.bytes[i];
      put(cell, byte === null ? "··" : hex(byte, 2));
      const kind = within(i, strip.part) ? "part" : within(i, strip.value) ? "value" : "other";
      if (cell.dataset.kind !== kind) cell.dataset.kind = kind;
    }
    this.picture.setAttribute("aria-label", printable(sentence(strip)));
    const half = strip.part ? ", double bar: the part that is meant" : "";
    put(this.legend, `bar: the value, ${strip.type}${half}; ${strip.order}-endian`);
  }

  fit(count) {
    if (this.cells.length === count) return;
    this.cells = [];
    this.rows = [];
    this.picture.replaceChildren();
    for (let place = 0; place < count; place += ROW) {
      const row = child(this.picture, "byte-row", "div");
      this.rows.push(child(row, "byte-address"));
      for (let i = place; i < Math.min(count, place + ROW); i++) this.cells.push(child(row, "byte"));
    }
  }
}
