// A kind of block as the map draws it, for the legend.

import { printable } from "../shared/printable.js";
import { BASE, FONT } from "./map.js";
import { patternOf } from "./patterns.js";

export class Swatch {
  constructor(canvas) {
    this.canvas = canvas;
    this.drawn = "";
  }

  // Where it can be seen, and is another than before.
  show({ code, pattern }, colours) {
    const { canvas } = this;
    const ratio = devicePixelRatio || 1;
    const [wide, high] = [canvas.clientWidth, canvas.clientHeight];
    const fresh = [code, pattern, wide, high, ratio, ...Object.values(colours)].join();
    if (fresh === this.drawn || wide === 0 || high === 0) return;
    this.drawn = fresh;
    canvas.width = wide * ratio;
    canvas.height = high * ratio;
    const pen = canvas.getContext("2d");
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    if (pattern >= 0) {
      pen.fillStyle = colours.used;
      pen.fillRect(0, 0, wide, high);
      pen.fillStyle = patternOf(pen, pattern, colours.line);
      pen.fillRect(0, high - BASE, wide, BASE);
    }
    pen.strokeStyle = colours.strong;
    pen.strokeRect(0.5, 0.5, wide - 1, high - 1);
    pen.font = `${FONT}px ${getComputedStyle(canvas).fontFamily}`;
    pen.textBaseline = "middle";
    pen.fillStyle = colours.ink;
    pen.fillText(printable(code), 3.5, (high - BASE) / 2 + 0.5);
  }
}
