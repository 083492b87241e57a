// The page for the person who practises: puts the connection, the pace and the panels together.

import { address } from "../shared/address.js";
import { put } from "../shared/elements.js";
import { follow } from "../shared/live.js";
import { pacer } from "../shared/pace.js";
import { duration } from "../shared/words.js";
import { EventsPanel } from "./events.js";
import { ActionKeys } from "./action_keys.js";
import { Arrange } from "./arrange.js";
import { Controls } from "./controls.js";
import { HealthPanel } from "./health.js";
import { HeapPanel } from "./heap.js";
import { keys } from "./keys.js";
import { LayoutsPanel } from "./layouts.js";
import { Looking } from "./looking.js";
import { pastOf } from "./past_words.js";
import { Panels } from "./panels.js";
import { PlanPanel } from "./plan.js";
import { poll } from "./poll.js";
import { fetched } from "./newest.js";
import { PracticePanel } from "./practice.js";
import { roomIn } from "./room.js";
import { Shown } from "./shown.js";
import { TalliesPanel } from "./tallies.js";
import { themeButton } from "../shared/theme.js";
import { Timeline } from "./timeline.js";
import { TimingPanel } from "./timing.js";
import { Watches } from "./watches.js";
import { Working } from "./working.js";

const TITLE = document.title;
const TENTH = 100;
const CALM_TENTHS = 10; // plots move once a second for those who ask for less motion

const byId = (id) => document.getElementById(id);
const { body } = document;
const turnTheme = themeButton(byId("theme"));
const calm = matchMedia("(prefers-reduced-motion: reduce)");

let snapshot = null; // the newest live one
let names = null;
let arrived = performance.now();
let linked = false;
let pasts = [];
let arranged = false; // by what the first frame brings

const panels = new Panels(byId("desk"), (words) => put(byId("moved"), words));
new Arrange(
  byId("arrange"), byId("arranging"), byId("arranged"), byId("restore"), byId("arranging-close"), panels,
);
const looking = new Looking(() => ask(), () => snapshot?.frame ?? null);
const shown = new Shown();
const working = new Working(
  {
    ask: byId("ask"), offers: byId("offers"), hint: byId("ask-hint"), fault: byId("ask-fault"),
    room: byId("answer-room"), answer: byId("answer"), result: byId("result"), course: byId("course"), bytes: byId("bytes"), keep: byId("keep"),
  },
  {
    ready: () => ask(),
    names: () => names,
    watches: () => new Set((now()?.readings ?? []).map(({ watch }) => watch)),
    unmark: () => watches.mark(""),
    linked: () => linked,
    asking: (text) => looking.ask(text),
  },
);
const watches = new Watches(
  byId("groups"), byId("find"), byId("found"), byId("nothing"), byId("notes"),
  (reading) => {
    watches.mark(reading.watch);
    working.choose(reading);
    panels.reveal(byId("working"));
    if (!panels.isSeen(byId("working"))) byId("working").scrollIntoView();
    ask();
  },
);
const heap = new HeapPanel(byId("heap"));
const events = new EventsPanel(byId("events"));
const plan = new PlanPanel(byId("plan"), heap.map.kinds);
// lines come and go there with each attempt, and the watches stand below it
const practiceRoom = roomIn(byId("practice"));
const practice = new PracticePanel(practiceRoom.content, (past) => lookBack(past));
const timing = new TimingPanel(byId("timing"));
const layouts = new LayoutsPanel(byId("layouts"));
const tallies = new TalliesPanel(byId("tallies"));
const health = new HealthPanel(byId("bridge"));
const controls = new Controls({ keep: byId("keep-minute"), step: byId("step") }, byId("told"));
const actionKeys = new ActionKeys(
  byId("action-keys"),
  (key) => controls.ask(`mark?key=${encodeURIComponent(key)}`),
  (rows) => furtherKeys(rows),
);
const timeline = new Timeline(byId("back"), looking, () => names, (past) => lookBack(past));

// What is shown: the live frame or the past moment, with nothing of the other.
function now() {
  return shown.isLive ? snapshot : shown.moment.snapshot;
}

function noticeText() {
  if (snapshot === null) return "connecting to lowhalf";
  if (!linked) return "no connection to lowhalf";
  return shown.isLive ? snapshot.note : "";
}

// Apart from the notice, so that nobody has every second read to them.
function ageText(seconds) {
  return linked || snapshot === null || !shown.isLive ? "" : `, values from ${duration(seconds)} ago`;
}

function whereText({ frame, build, source, consistency, stats }) {
  return [frame === null || stats?.frames === 0 ? "no frame yet" : `frame ${frame}`, build, source, consistency]
    .filter(Boolean).join(" · ");
}

// Between live and past, and from one moment to another: everything at once.
function turn(allowed) {
  const turned = shown.turn(looking.came, allowed);
  if (turned.turned) {
    for (const panel of [watches, practice]) panel.follow(shown.isLive);
    if (now() !== null) watches.take(now().readings);
    body.dataset.view = shown.isLive ? "live" : "past";
    document.title = shown.isLive ? TITLE : `not live: ${TITLE}`;
  }
  return turned;
}

function paint(pace) {
  const turned = turn(pace.allowed);
  const frame = now();
  // what turned, turned with all that it has
  const whole = turned.turned || !shown.isLive;
  const calm = whole ? { ...pace, allowed: true } : pace;
  const seconds = (performance.now() - arrived) / 1000;
  const link = !shown.isLive ? "past" : linked ? "live" : snapshot === null ? "connecting" : "lost";
  const readings = frame?.readings ?? [];
  const gone = readings.length > 0 && readings.every(({ status }) => status === "offline");
  const source = gone ? "offline" : "there";
  const differs = body.dataset.link !== link || body.dataset.source !== source;
  let changed = turned.changed || (differs && calm.allowed);
  let pending = turned.pending || (differs && !calm.allowed);
  if (differs && calm.allowed) Object.assign(body.dataset, { link, source });
  const outcomes = [watches.paint(shown.isLive ? seconds + (snapshot?.held ?? 0) : 0, calm)];
  if (frame !== null) {
    outcomes.push(heap.show(frame, watches.chosen, calm.allowed, whole));
    outcomes.push(events.show(frame, calm.allowed, whole));
    outcomes.push(plan.show(frame, calm.allowed));
    outcomes.push(practice.show(frame.practice, calm.allowed));
    practiceRoom.settle();
    health.show(frame, shown.isLive);
    put(byId("where"), (shown.isLive ? "" : "not live · ") + whereText(frame));
    if (!arranged) {
      panels.columns.begin();
      panels.follow();
    }
    arranged = true;
  }
  working.paint(shown.moment);
  timeline.paint(shown.moment, snapshot);
  byId("look").hidden = pasts.length === 0 || looking.isOpen;
  // in a past all is there at once, and was counted above
  for (const outcome of shown.isLive ? outcomes : []) {
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
  if (found.pasts) polled.pasts ??= poll("/past.json", 5000, recorded);
  if (found.history) {
    polled.history ??= poll("/history.json", 5000, (value) => {
      practice.remember(value);
      timing.show(value);
      ask();
    });
  }
}

// What is recorded.
function recorded(found) {
  ({ pasts } = found);
  practice.keep(pasts);
  timeline.offer(pasts);
  ask();
  const wanted = pastOf(pasts, address.searchParams.get("past"));
  if (wanted) {
    lookBack(wanted, Number(address.searchParams.get("place") ?? 0));
    for (const name of ["past", "place"]) address.searchParams.delete(name);
    history.replaceState(null, "", address);
  }
}

function lookBack(past, place = null) {
  looking.open(past, place);
  timeline.focus();
}

// What is kept until now: the last minutes have another name each time that they are opened.
async function lookBackAtFirst() {
  if (looking.isOpen) {
    timeline.focus();
    return;
  }
  try {
    recorded(await fetched("/past.json"));
  } catch {
    return; // the notice says that lowhalf is gone
  }
  if (pasts.length > 0 && !looking.isOpen) lookBack(pasts[0]);
}

function backToLive() {
  if (!looking.isOpen) return;
  looking.close();
  byId("look").hidden = false;
  byId("look").focus();
}

let build = null;
let attempt = null;

follow(
  (newest) => {
    snapshot = newest;
    arrived = performance.now();
    watches.note(newest.readings, arrived);
    if (newest.health) {
      startPolling(newest.health);
      controls.offer(newest.health.controls);
      byId("to-questions").hidden = !newest.health.controls.includes("typed");
      actionKeys.offer(newest.health.keys);
    }
    if (newest.build !== build) {
      build = newest.build;
      if (polled.names) polled.names();
      else polled.names = poll("/names.json", 30000, (value) => (names = value));
    }
    const ended = newest.practice?.last?.attempt ?? null;
    if (ended !== attempt) {
      attempt = ended;
      // it is written after the frame, and what was read is given again for a second
      for (const later of [500, 1600]) setTimeout(() => {
        polled.history?.();
        polled.pasts?.();
      }, later);
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

// What is jumped to may be folded or hidden.
function jump(id) {
  panels.reveal(byId(id));
  byId(id).focus();
}

const furtherKeys = keys(byId("keys"), byId("help"), byId("help-list"), byId("single"), byId("help-close"), [
  ["/", "search the watches", () => jump("find")],
  ["=", "write an expression", () => jump("ask")],
  ["n", "night or day colours", turnTheme],
  ["0", "panels: move, fold, hide them", () => byId("arrange").click()],
  ["k", "keep the last minute as a recording", () => controls.ask("keep")],
  [".", "next frame, of a recording that is stepped", () => controls.ask("step")],
  ["b", "look back at what is recorded", lookBackAtFirst],
  ["l", "back to live", backToLive],
  ...timeline.keys(),
  ...["log", "working", "heap", "practice", "layouts", "tallies", "bridge", "events", "plan"].map((id, i) => {
    return [String(i + 1), `to ${byId(`${id}-title`).textContent}`, () => jump(`${id}-title`)];
  }),
]);
byId("look").addEventListener("click", lookBackAtFirst);
byId("to-live").addEventListener("click", backToLive);

ask();
setInterval(ask, 500);
let drawn = 0;
setInterval(() => {
  drawn++;
  if (!calm.matches || drawn % CALM_TENTHS === 0) watches.draw(performance.now(), linked);
}, TENTH);
