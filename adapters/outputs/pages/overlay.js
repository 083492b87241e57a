// The page for streaming software: puts the connection, the pace and the rows together.

import { follow } from "/pages/live.js";
import { pacer } from "/pages/pace.js";
import { Row, missing } from "/pages/rows.js";
import { duration } from "/pages/words.js";

const query = new URLSearchParams(location.search);
const names = (query.get("watches") ?? "").split(",").map((name) => name.trim());
const wanted = [...new Set(names)].filter(Boolean);
const scale = Number(query.get("scale") ?? 1);
if (scale > 0) {
  document.body.style.setProperty("--scale", String(Math.min(Math.max(scale, 0.25), 10)));
}

// Narrow is measured in the text's own size, which a media query cannot do.
function fitShape() {
  const size = parseFloat(getComputedStyle(document.body).fontSize);
  document.body.dataset.shape = innerWidth < 24 * size ? "narrow" : "wide";
}
addEventListener("resize", fitShape);
fitShape();

const list = document.getElementById("watches");
const notice = document.getElementById("notice");
let rows = [];
let snapshot = null;
let arrived = performance.now();
let linked = false;

function chosen() {
  if (snapshot === null) return [];
  if (wanted.length === 0) return snapshot.readings;
  const byName = new Map(snapshot.readings.map((reading) => [reading.watch, reading]));
  return wanted.map((name) => byName.get(name) ?? missing(name));
}

function fitRows(readings) {
  if (rows.length === readings.length && rows.every((row, i) => row.name === readings[i].watch)) {
    return;
  }
  const old = new Map(rows.map((row) => [row.name, row]));
  rows = readings.map((reading) => old.get(reading.watch) ?? new Row(reading));
  list.replaceChildren(...rows.map((row) => row.element));
}

function noticeText(link, seconds) {
  if (link === "live") return snapshot.note;
  if (snapshot === null) return "connecting to lowhalf";
  return `no connection to lowhalf, values from ${duration(seconds)} ago`;
}

function paint(now, allowed) {
  const seconds = (now - arrived) / 1000;
  const link = linked ? "live" : snapshot === null ? "connecting" : "lost";
  const differs = document.body.dataset.link !== link;
  let changed = differs && allowed;
  let pending = differs && !allowed;
  if (changed) document.body.dataset.link = link;
  const readings = chosen();
  fitRows(readings);
  const held = seconds + (snapshot?.held ?? 0);
  for (const [i, row] of rows.entries()) {
    const outcome = row.show(readings[i], held, allowed);
    changed ||= outcome.changed;
    pending ||= outcome.pending;
  }
  if (!pending) {
    const text = noticeText(link, seconds);
    if (notice.textContent !== text) notice.textContent = text;
  }
  return { changed, pending };
}

const ask = pacer(paint);

follow(
  (newest) => {
    snapshot = newest;
    arrived = performance.now();
    ask();
  },
  (isLinked) => {
    if (linked === isLinked) return;
    linked = isLinked;
    ask();
  },
);
ask();
setInterval(ask, 500);
