// The page for the person who practises: puts the connection, the pace and the panels together.

import "../shared/address.js";
import { put } from "../shared/elements.js";
import { follow } from "../shared/live.js";
import { pacer } from "../shared/pace.js";
import { duration } from "../shared/words.js";
import { HealthPanel } from "./health.js";
import { HeapPanel } from "./heap.js";
import { keys } from "./keys.js";
import { LayoutsPanel } from "./layouts.js";
import { poll } from "./poll.js";
import { PracticePanel } from "./practice.js";
import { TalliesPanel } from "./tallies.js";
import { themeButton } from "./theme.js";
import { Watches } from "./watches.js";
import { Working } from "./working.js";

const TENTH = 100;
const CALM_TENTHS = 10; // plots move once a second for those who ask for less motion

const byId = (id) => document.getElementById(id);
const { body } = document;
const turnTheme = themeButton(byId("theme"));
const calm = matchMedia("(prefers-reduced-motion: reduce)");
const narrow = matchMedia("(max-width: 55.99em)");

let snapshot = null;
let names = null;
let arrived = performance.now();
let linked = false;

const working = new Working(
  {
    ask: byId("ask"), offers: byId("offers"), hint: byId("ask-hint"), fault: byId("ask-fault"),
    room: byId("answer-room"), answer: byId("answer"), result: byId("result"), course: byId("course"), bytes: byId("bytes"), keep: byId("keep"),
  },
  {
    ready: () => ask(),
    names: () => names,
    watches: () => new Set((snapshot?.readings ?? []).map(({ watch }) => watch)),
    unmark: () => watches.mark(""),
    linked: () => linked,
  },
);
const watches = new Watches(
  byId("groups"), byId("find"), byId("found"), byId("nothing"),
  (reading) => {
    watches.mark(reading.watch);
    working.choose(reading);
    if (narrow.matches) byId("working").scrollIntoView(); // else it stands beside the watches
    ask();
  },
);
const heap = new HeapPanel(byId("heap"));
const practice = new PracticePanel(byId("practice"));
const layouts = new LayoutsPanel(byId("layouts"));
const tallies = new TalliesPanel(byId("tallies"));
const health = new HealthPanel(byId("bridge"));

function noticeText() {
  if (snapshot === null) return "connecting to lowhalf";
  return linked ? snapshot.note : "no connection to lowhalf";
}

// Apart from the notice, so that nobody has every second read to them.
function ageText(seconds) {
  return linked || snapshot === null ? "" : `, values from ${duration(seconds)} ago`;
}

function whereText({ frame, build, source, consistency, stats }) {
  return [frame === null || stats?.frames === 0 ? "no frame yet" : `frame ${frame}`, build, source, consistency]
    .filter(Boolean).join(" · ");
}

function paint(pace) {
  const seconds = (performance.now() - arrived) / 1000;
  const link = linked ? "live" : snapshot === null ? "connecting" : "lost";
  const readings = snapshot?.readings ?? [];
  const gone = readings.length > 0 && readings.every(({ status }) => status === "offline");
  const source = gone ? "offline" : "there";
  const differs = body.dataset.link !== link || body.dataset.source !== source;
  let changed = differs && pace.allowed;
  let pending = differs && !pace.allowed;
  if (changed) Object.assign(body.dataset, { link, source });
  const outcomes = [watches.paint(seconds + (snapshot?.held ?? 0), pace)];
  if (snapshot !== null) {
    outcomes.push(heap.show(snapshot, watches.chosen, pace.allowed));
    outcomes.push(practice.show(snapshot.practice, pace.allowed));
    health.show(snapshot);
    put(byId("where"), whereText(snapshot));
  }
  working.paint();
  for (const outcome of outcomes) {
    changed ||= outcome.changed;
    pending ||= outcome.pending;
  }
  if (!pending) put(byId("notice"), noticeText());
  put(byId("age"), ageText(seconds));
  return { changed, pending };
}

const ask = pacer(paint);

const polled = {};

// What changes slowly is only asked for where there is any.
function startPolling(found) {
  if (found.layouts.length > 0) {
    polled.layouts ??= poll("/layouts.json", 1000, (value) => layouts.show(value?.layouts ?? []));
  } else layouts.show([]);
  if (found.tallies) polled.tallies ??= poll("/tallies.json", 3000, (value) => tallies.show(value));
  else tallies.show(null);
  if (found.history) {
    polled.history ??= poll("/history.json", 5000, (value) => {
      practice.remember(value);
      ask();
    });
  }
}

let build = null;
let attempt = null;

follow(
  (newest) => {
    snapshot = newest;
    arrived = performance.now();
    watches.note(newest.readings, arrived);
    if (newest.health) startPolling(newest.health);
    if (newest.build !== build) {
      build = newest.build;
      if (polled.names) polled.names();
      else polled.names = poll("/names.json", 30000, (value) => (names = value));
    }
    const ended = newest.practice?.last?.attempt ?? null;
    if (ended !== attempt) {
      attempt = ended;
      // it is written after the frame, and what was read is given again for a second
      for (const later of [500, 1600]) setTimeout(() => polled.history?.(), later);
    }
    ask();
  },
  (isLinked) => {
    if (linked === isLinked) return;
    linked = isLinked;
    ask();
  },
  ["heap", "desk"],
);

keys(byId("keys"), byId("help"), byId("help-list"), byId("single"), byId("help-close"), [
  ["/", "search the watches", () => byId("find").focus()],
  ["=", "write an expression", () => byId("ask").focus()],
  ["n", "night or day colours", turnTheme],
  ...["log", "working", "heap", "practice", "layouts", "tallies", "bridge"].map((id, i) => {
    const title = byId(`${id}-title`);
    return [String(i + 1), `to ${title.textContent}`, () => title.focus()];
  }),
]);

ask();
setInterval(ask, 500);
let drawn = 0;
setInterval(() => {
  drawn++;
  if (!calm.matches || drawn % CALM_TENTHS === 0) watches.draw(performance.now(), linked);
}, TENTH);
