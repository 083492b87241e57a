// The page for streaming software: puts the connection, the pace and the pieces together.

import { address } from "../shared/address.js";
import { put } from "../shared/elements.js";
import { follow } from "../shared/live.js";
import { pacer } from "../shared/pace.js";
import { Row, missing } from "../shared/rows.js";
import { duration } from "../shared/words.js";
import { Attempts } from "./attempts.js";
import { Fit, isLow } from "./fit.js";
import { HeapStrip } from "./heap_strip.js";
import { options } from "./options.js";
import { Plan } from "./plan.js";
import { Steps } from "./steps.js";

const wanted = options(address.search);
const body = document.body;
body.style.setProperty("--scale", String(wanted.scale));
body.dataset.theme = wanted.theme;
body.dataset.across = wanted.across;
body.dataset.down = wanted.down;

const byId = (id) => document.getElementById(id);
const stage = byId("stage");
const list = byId("watches");
const notice = byId("notice");

const places = {
  values: list, steps: byId("steps"), attempts: byId("attempts"), plan: byId("plan"), heap: byId("heap"),
};
for (const [name, place] of Object.entries(places)) {
  if (!wanted.show.includes(name)) place.remove();
}
stage.prepend(...wanted.show.map((name) => places[name]));
const steps = new Steps(places.steps);
const attempts = new Attempts(places.attempts);
const plan = new Plan(places.plan);
const strip = new HeapStrip(places.heap, wanted.heap);
const fit = new Fit(stage);

let rows = [];
let snapshot = null;
let arrived = performance.now();
let linked = false;
let told = "";
const said = new Set();

function chosen() {
  if (snapshot === null || !wanted.show.includes("values")) return [];
  if (wanted.watches.length === 0) return snapshot.readings;
  const byName = new Map(snapshot.readings.map((reading) => [reading.watch, reading]));
  return wanted.watches.map((name) => byName.get(name) ?? missing(name));
}

function fitRows(readings) {
  if (rows.length === readings.length && rows.every((row, i) => row.name === readings[i].watch)) {
    return;
  }
  const old = new Map(rows.map((row) => [row.name, row]));
  rows = readings.map((reading) => old.get(reading.watch) ?? new Row(reading));
  for (const [i, row] of rows.entries()) row.element.style.setProperty("--row", String(i + 1));
  list.replaceChildren(...rows.map((row) => row.element));
}

function noticeText(link, seconds) {
  const some = [...rows.map((row) => row.element), ...Object.values(places)].some(isShown);
  const empty = some ? "no" : "yes";
  if (body.dataset.empty !== empty) body.dataset.empty = empty;
  // where there is hardly any room, shapes and words beside the values must do
  if (some && isLow()) return "";
  if (link === "live") {
    const none = wanted.show.includes("values") && rows.length === 0;
    return snapshot.note || (none ? "there are no watches" : "");
  }
  if (snapshot === null) return "connecting to lowhalf";
  return `no connection to lowhalf, values from ${duration(seconds)} ago`;
}

function isShown(element) {
  return element !== list && element.isConnected && !element.hidden;
}

// All that decides how much room is needed; what only changes words within their lines is not in it.
function signature() {
  return [
    innerWidth, innerHeight, devicePixelRatio,
    ...rows.map((row) => row.needs),
    ...wanted.show.map((name) => `${name} ${places[name].hidden} ${places[name].dataset.empty}`),
  ].join("\n");
}

// What is wrong with the page's address, and what does not fit, is not for viewers: it stands in
// the page's console, and on the desk, which hears it from the connection.
function tell() {
  const known = new Set((snapshot?.readings ?? []).map(({ watch }) => watch));
  const unknown = known.size === 0 ? [] : wanted.watches.filter((name) => !known.has(name));
  const complaints = [
    ...wanted.complaints, ...unknown.map((name) => `watches "${name}": no such watch`), fit.complaint,
  ].filter(Boolean);
  told = complaints.join("; ");
  for (const words of complaints) {
    if (!said.has(words)) console.info(`lowhalf: ${words}`);
    said.add(words);
  }
}

function items() {
  return wanted.show.flatMap((name) =>
    name === "values" ? rows.map((row) => row.element) : [places[name]],
  );
}

function paint(pace) {
  const seconds = (performance.now() - arrived) / 1000;
  const link = linked ? "live" : snapshot === null ? "connecting" : "lost";
  const known = snapshot?.readings ?? [];
  const gone = known.length > 0 && known.every((reading) => reading.status === "offline");
  const source = gone ? "offline" : "there";
  const differs = body.dataset.link !== link || body.dataset.source !== source;
  let changed = differs && pace.allowed;
  let pending = differs && !pace.allowed;
  if (changed) Object.assign(body.dataset, { link, source });
  const readings = chosen();
  fitRows(readings);
  const held = seconds + (snapshot?.held ?? 0);
  const outcomes = rows.map((row, i) => row.show(readings[i], held, pace));
  if (snapshot !== null) {
    outcomes.push(steps.show(snapshot.practice, wanted.asked, pace.allowed));
    outcomes.push(attempts.show(snapshot.practice, wanted.asked, pace.allowed));
    outcomes.push(plan.show(snapshot, wanted.asked, pace.allowed));
    outcomes.push(strip.show(snapshot.heap, snapshot.frame, wanted.asked, pace.allowed));
  }
  for (const outcome of outcomes) {
    changed ||= outcome.changed;
    pending ||= outcome.pending;
  }
  if (!pending) put(notice, noticeText(link, seconds));
  fit.run(signature(), items());
  fit.hold();
  tell();
  return { changed, pending };
}

const ask = pacer(paint, () => parseFloat(getComputedStyle(body).fontSize));

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
  wanted.show.includes("heap") ? ["heap"] : [],
  () => told,
);
addEventListener("resize", ask);
ask();
setInterval(ask, 500);
