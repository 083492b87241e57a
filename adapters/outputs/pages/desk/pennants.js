// Pennants: one for each block that pointers point to, with the numbers that the pointers have in
// the list below the map.

import { printable } from "../shared/printable.js";

export const PENNANT = 15; // pixels of height
const MOST = 3; // numbers on one; of more it is told how many
const NOTCH = 5;
const AROUND = 7;

// [{index, text, width, pins}] for *pins* in the order of their numbers.
export function pennantsOf(pins, measure) {
  const byBlock = new Map();
  for (const [i, pin] of pins.entries()) {
    if (!byBlock.has(pin.index)) byBlock.set(pin.index, []);
    byBlock.get(pin.index).push({ ...pin, number: i + 1 });
  }
  return [...byBlock].map(([index, mine]) => {
    const numbers = mine.map(({ number }) => number);
    const more = numbers.length - MOST;
    const text = more > 0 ? `${numbers.slice(0, MOST).join(" ")} +${more}` : numbers.join(" ");
    return { index, text, width: Math.ceil(measure(text)) + AROUND + NOTCH, pins: mine };
  });
}

export function drawPennant(pen, { left, top, width, text, lane }, isChosen, bar, colours) {
  const high = PENNANT - 2;
  const right = left + width;
  pen.fillStyle = isChosen ? colours.pin : colours.ink;
  pen.beginPath();
  pen.moveTo(left, top);
  pen.lineTo(right, top);
  pen.lineTo(right - NOTCH + 1, top + high / 2);
  pen.lineTo(right, top + high);
  pen.lineTo(left, top + high);
  pen.fill();
  pen.fillRect(left, top, lane > 0 ? 1.5 : 2, bar - top); // the pole
  pen.fillStyle = colours.paper;
  pen.fillText(printable(text), left + 4, top + high / 2 + 0.5);
}
