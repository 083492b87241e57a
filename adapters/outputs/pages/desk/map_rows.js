// The heap as lines of writing: where each block, each number and each pennant stands, in pixels.
// Nothing here draws; *measure* gives a text's width.

import { printable } from "../shared/printable.js";
import { widthsOf } from "../shared/heap_widths.js";
import { pennantsOf, PENNANT } from "./pennants.js";

export const BAR = 22; // a line of codes
export const TALL = 36; // a line in which names and sizes are written
export const NUMBER = 12; // the numbers below it
const BETWEEN = 4;
const MOST_ROWS = 12;
const CODE = 20; // pixels of a block, at least, where there is room for all
const NARROWEST = 1;
const END = 118; // of a free end that is drawn short
const LOOSE = 1.25; // of the least room, so that longer blocks are wider
const NAME = 150; // of a name; longer ones have their code
const SHARE = 0.6; // of all room, at most, for what is enlarged
const FULL = 0.85; // of a last line, from which it is filled
const WIDEST = 0.7; // of a line, for one block
const DENSER = [1, 0.96, 0.92, 0.86, 0.8]; // of all lines' length, tried for what is drawn in them
const STEPS = [5, 10, 25, 50, 100, 250, 500, 1000];
const APART = 34; // pixels from number to number

export function sizeText(size) {
  return `0x${size.toString(16).toUpperCase()}`;
}

export function nameText(heap, index) {
  return printable((heap.owners[heap.blocks[index][3]] ?? "").replaceAll("_", " "));
}

// How wide each block must be at least: those that are pointed to are enlarged with what they are
// called and how long they are, and their neighbours too, for as long as there is room.
function leastWidths({ heap, order, wide, kinds, pennants, measure }) {
  const room = MOST_ROWS * wide;
  const plain = Math.max(NARROWEST, Math.min(CODE, (0.75 * room) / heap.blocks.length));
  const isRoomy = plain === CODE;
  const least = new Float64Array(heap.blocks.length).fill(plain);
  const size = (index) => measure(sizeText(heap.blocks[index][1])) + 10;
  if (isRoomy) {
    for (const [index, block] of heap.blocks.entries()) {
      least[index] = Math.max(plain, measure(kinds.of(heap.owners[block[3]] ?? "").code) + 8);
    }
  }
  const enlarged = new Map(pennants.map(({ index, width }) => {
    const name = measure(nameText(heap, index)) + 10;
    return [index, Math.max(size(index), name <= NAME ? name : 0, width + 2)];
  }));
  const near = new Map();
  for (const [at, index] of order.entries()) {
    if (!enlarged.has(index)) continue;
    for (const other of [order[at - 1], order[at + 1]]) {
      if (other !== undefined && !enlarged.has(other)) near.set(other, Math.max(size(other), least[other]));
    }
  }
  const used = new Set();
  let left = SHARE * room;
  for (const widths of [enlarged, near]) {
    const wanted = [...widths.values()].reduce((sum, width) => sum + width, 0);
    if (wanted > left) break;
    left -= wanted;
    for (const [index, width] of widths) {
      least[index] = Math.max(least[index], Math.min(width, WIDEST * wide));
      used.add(index);
    }
  }
  return { least, enlarged: used };
}

// Pieces broken into lines, each of them filled, but for the last where it would look stretched.
function broken(pieces, wide) {
  const rows = [[]];
  let sum = 0;
  for (const piece of pieces) {
    if (sum + piece.width > wide + 0.5 && rows.at(-1).length > 0) {
      rows.push([]);
      sum = 0;
    }
    rows.at(-1).push(piece);
    sum += piece.width;
  }
  return rows.map((row, number) => {
    const sum = row.reduce((all, { width }) => all + width, 0);
    const isLast = number === rows.length - 1 && number > 0;
    const factor = isLast && sum < FULL * wide ? 1 : wide / sum;
    let left = 0;
    return row.map((piece) => {
      const cell = { ...piece, left, width: piece.width * factor };
      left += cell.width;
      return cell;
    });
  });
}

function shortened(piece, most) {
  return piece.width > most ? { ...piece, width: most, cut: true } : piece;
}

function stepFor(count, rows, wide) {
  return STEPS.find((step) => (step * rows * wide) / Math.max(1, count) >= APART) ?? STEPS.at(-1);
}

// {rows: [{top, bar, high, cells: [{index, left, width, cut, size, isLarge}]}], pennants, numbers,
// height}; *bar* is where the line's blocks begin and *high* how high they are.
export function mapRows({ heap, order, pins, wide, kinds, measure }) {
  const pennants = pennantsOf(pins, measure);
  const { least, enlarged } = leastWidths({ heap, order, wide, kinds, pennants, measure });
  // a pennant that is wider than its block stands over the next ones: at the end of a line it
  // needs room behind the last
  const widest = pennants.reduce((most, { width }) => Math.max(most, width), 0);
  const isCrowded = pennants.some(({ index, width }) => least[index] < width);
  const inner = isCrowded ? wide - widest : wide;
  const needed = least.reduce((sum, width) => sum + width, 0);
  const count = Math.max(1, Math.min(MOST_ROWS, Math.ceil((needed * LOOSE) / inner)));
  let lines = [];
  for (const share of DENSER) {
    const pieces = widthsOf(heap, order, share * count * inner, (index) => least[index], END);
    lines = broken(pieces.map((piece) => shortened(piece, count > 1 ? WIDEST * inner : inner)), inner);
    if (lines.length <= count) break; // else its last blocks would have a line for themselves
  }
  const step = stepFor(heap.blocks.length, lines.length, inner);
  const rows = [];
  const numbers = [];
  let top = 0;
  for (const cells of lines) {
    for (const cell of cells) cell.isLarge = enlarged.has(cell.index);
    const mine = new Map(cells.map((cell) => [cell.index, cell]));
    const lanes = standing(pennants.filter(({ index }) => mine.has(index)), mine);
    const high = lines.length <= 2 || cells.some(({ isLarge }) => isLarge) ? TALL : BAR;
    const bar = top + lanes * PENNANT;
    for (const pennant of pennants) {
      if (mine.has(pennant.index)) pennant.top = bar - (pennant.lane + 1) * PENNANT;
    }
    let end = -Infinity;
    for (const { index, left } of cells) {
      if (index < 0 || index % step !== 0) continue;
      const text = String(index);
      const width = measure(text);
      const from = Math.min(left + 1, wide - width);
      if (from < end + 4) continue;
      numbers.push({ text, left: from, top: bar + high, width });
      end = from + width;
    }
    rows.push({ top, bar, high, cells });
    top = bar + high + NUMBER + BETWEEN;
  }
  return { rows, pennants, numbers, height: top };
}

// Gives each pennant its place above its block, in the lowest lane in which it covers no other and
// no pole; returns how many lanes there are.  From the right: what stands already begins, with its
// pole, further to the right, and so a pennant must only end before what is as high or higher.
function standing(pennants, cells) {
  const starts = []; // by lane: where its leftmost pennant begins
  for (const pennant of pennants) pennant.left = cells.get(pennant.index).left;
  for (const pennant of [...pennants].sort((one, other) => other.left - one.left)) {
    const end = pennant.left + pennant.width;
    let lane = starts.length;
    while (lane > 0 && end <= starts[lane - 1]) lane--;
    starts[lane] = pennant.left;
    pennant.lane = lane;
  }
  return starts.length;
}
