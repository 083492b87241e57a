// The first page: every watch as a line, beside the links.

import "./shared/address.js";
import { put } from "./shared/elements.js";
import { follow } from "./shared/live.js";
import { pacer } from "./shared/pace.js";
import { Row } from "./shared/rows.js";
import { duration } from "./shared/words.js";

const list = document.getElementById("watches");
const practice = document.getElementById("practice");
const notice = document.getElementById("notice");
const typed = document.querySelectorAll(".typed");
let rows = [];
let snapshot = null;
let arrived = performance.now();
let linked = false;

function fitRows(readings) {
  if (rows.length === readings.length && rows.every((row, i) => row.name === readings[i].watch)) {
    return;
  }
  const old = new Map(rows.map((row) => [row.name, row]));
  rows = readings.map((reading) => old.get(reading.watch) ?? new Row(reading, true));
  list.replaceChildren(...rows.map((row) => row.element));
}

function noticeText(seconds) {
  if (snapshot === null) return "connecting to lowhalf";
  return linked ? snapshot.note : `no connection to lowhalf, values from ${duration(seconds)} ago`;
}

function paint(pace) {
  const seconds = (performance.now() - arrived) / 1000;
  document.body.dataset.link = linked ? "live" : snapshot === null ? "connecting" : "lost";
  const readings = snapshot?.readings ?? [];
  fitRows(readings);
  const held = seconds + (snapshot?.held ?? 0);
  const outcomes = rows.map((row, i) => row.show(readings[i], held, pace));
  put(practice, snapshot?.practice_words ?? "");
  for (const part of typed) part.hidden = snapshot?.source !== "typed";
  put(notice, noticeText(seconds));
  return {
    changed: outcomes.some((outcome) => outcome.changed),
    pending: outcomes.some((outcome) => outcome.pending),
  };
}

const ask = pacer(paint);
follow(
  (newest) => {
    snapshot = newest;
    arrived = performance.now();
    ask();
  },
  (isLinked) => {
    linked = isLinked;
    ask();
  },
);
ask();
setInterval(ask, 500);
