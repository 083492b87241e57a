// Patterns that tell kinds of blocks apart without colour.

import { PATTERNS } from "../shared/kinds.js";

const SIZE = 6;

// Each draws one tile of SIZE × SIZE pixels, which joins itself on all sides.
const TILES = [
  (pen) => pen.fillRect(0, 0, SIZE, SIZE),
  (pen) => diagonal(pen, 1),
  (pen) => pen.fillRect(0, 0, 2, SIZE),
  (pen) => pen.fillRect(2, 2, 2, 2),
  (pen) => diagonal(pen, -1),
  (pen) => pen.fillRect(0, 2, SIZE, 2),
  (pen) => [[0, 0], [3, 3]].forEach(([x, y]) => pen.fillRect(x, y, 3, 3)),
  (pen) => [pen.fillRect(0, 2, SIZE, 1), pen.fillRect(2, 0, 1, SIZE)],
  (pen) => [diagonal(pen, 1), diagonal(pen, -1)],
];

function diagonal(pen, way) {
  for (let x = 0; x < SIZE; x++) {
    const y = way > 0 ? SIZE - 1 - x : x;
    pen.fillRect(x, y, 1, 1);
    pen.fillRect((x + 1) % SIZE, y, 1, 1);
  }
}

let made = [];
let madeOf = "";

// The fill of pattern *number* in *colour* for canvases.
export function patternOf(pen, number, colour) {
  if (madeOf !== colour) [made, madeOf] = [[], colour];
  const kind = number % PATTERNS;
  if (!made[kind]) {
    const tile = new OffscreenCanvas(SIZE, SIZE);
    const inner = tile.getContext("2d");
    inner.fillStyle = colour;
    TILES[kind](inner);
    made[kind] = pen.createPattern(tile, "repeat");
  }
  return made[kind];
}
