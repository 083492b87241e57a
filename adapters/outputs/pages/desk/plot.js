// Draws a trace: a thin line, and between lowest and highest of each tenth a band.  The target's
// range is hatched; where it lies outside of what is drawn, an arrowhead at the edge points to it.

import { TENTHS } from "./trace.js";

const FAR = 3; // times the values' own span: a target further away does not set the scale
const AIR = 0.14;

// The scale's ends.  A target that is near is within.
export function scaleOf(values, target) {
  if (values === null) return target === null || target[0] > target[1] ? [0, 1] : target;
  let [low, high] = values;
  const span = high - low;
  if (target !== null && target[0] <= target[1]) {
    const [from, to] = target;
    const reach = Math.max(span * FAR, span === 0 ? Math.abs(low) * 0.25 : 0);
    if (from <= high + reach && from >= low - reach) {
      low = Math.min(low, from);
      high = Math.max(high, from);
    }
    if (to <= high + reach && to >= low - reach) {
      low = Math.min(low, to);
      high = Math.max(high, to);
    }
  }
  return low === high ? [low - 1, high + 1] : [low, high];
}

export function drawTrace(canvas, trace, tenth, target, colours) {
  const ratio = devicePixelRatio || 1;
  const width = Math.round(canvas.clientWidth * ratio);
  const height = Math.round(canvas.clientHeight * ratio);
  if (width === 0 || height === 0) return;
  if (canvas.width !== width || canvas.height !== height) {
    canvas.width = width;
    canvas.height = height;
  }
  const pen = canvas.getContext("2d");
  pen.clearRect(0, 0, width, height);
  const values = trace.range();
  const [low, high] = scaleOf(values, target);
  const room = height * (1 - 2 * AIR);
  const up = (value) => height * (1 - AIR) - ((value - low) / (high - low)) * room;
  const across = (each) => ((each - tenth + TENTHS - 0.5) / TENTHS) * width;

  // every ten seconds a tick on the base line
  pen.fillStyle = colours.rule;
  pen.fillRect(0, height - ratio, width, ratio);
  for (let ten = 0; ten <= 3; ten++) {
    pen.fillRect(Math.min(width - ratio, (width * ten) / 3), height - 4 * ratio, ratio, 4 * ratio);
  }
  if (target !== null) drawTarget(pen, target, up, width, height, ratio, colours.target);
  if (values === null) return;

  pen.fillStyle = pen.strokeStyle = colours.line;
  pen.lineWidth = 1.5 * ratio;
  pen.lineJoin = "round";
  pen.beginPath();
  let drawn = false;
  const first = tenth - TENTHS + 1;
  for (let each = Math.max(0, first); each <= tenth; each++) {
    const place = each % TENTHS;
    const x = across(each);
    if (Number.isNaN(trace.last[place])) {
      if (drawn) pen.lineTo(x - width / TENTHS / 2, up(trace.last[(each - 1) % TENTHS]));
      drawn = false;
      continue;
    }
    const top = up(trace.high[place]);
    const bottom = up(trace.low[place]);
    if (bottom - top > ratio) pen.fillRect(x - width / TENTHS / 2, top, width / TENTHS, bottom - top);
    const y = up(trace.last[place]);
    if (drawn) pen.lineTo(x, y);
    else pen.moveTo(x - width / TENTHS / 2, y);
    drawn = true;
  }
  pen.stroke();
  if (drawn) {
    pen.beginPath();
    pen.arc(width - 2.5 * ratio, up(trace.last[tenth % TENTHS]), 2.5 * ratio, 0, 7);
    pen.fill();
  }
}

function drawTarget(pen, target, up, width, height, ratio, colour) {
  const [from, to] = target;
  pen.fillStyle = pen.strokeStyle = colour;
  // the range of an angle may run over the top
  const bands = from <= to ? [[up(to), up(from)]] : [[0, up(from)], [up(to), height]];
  for (const [top, bottom] of bands) {
    if (bottom < 0 || top > height) {
      const [edge, way] = bottom < 0 ? [0, 1] : [height - ratio, -1];
      const size = 4 * ratio;
      pen.beginPath();
      pen.moveTo(width / 2, edge);
      pen.lineTo(width / 2 - size, edge + way * size);
      pen.lineTo(width / 2 + size, edge + way * size);
      pen.fill();
      continue;
    }
    const [a, b] = [Math.max(0, top), Math.min(height, bottom)];
    pen.save();
    pen.beginPath();
    pen.rect(0, a, width, Math.max(ratio, b - a));
    pen.clip();
    pen.globalAlpha = 0.38;
    pen.lineWidth = ratio;
    pen.beginPath();
    for (let x = -height; x < width + height; x += 7 * ratio) {
      pen.moveTo(x, height);
      pen.lineTo(x + height, 0);
    }
    pen.stroke();
    pen.restore();
    pen.globalAlpha = 1;
    for (const y of [a, Math.max(a, b - ratio)]) pen.fillRect(0, y, width, ratio);
  }
}
