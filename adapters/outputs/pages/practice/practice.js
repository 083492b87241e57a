// The page to practise with, to be read from two metres: puts the connection, the pace, the words,
// the hand and the cue together.

import "../shared/address.js";
import { child, mark, put } from "../shared/elements.js";
import { follow } from "../shared/live.js";
import { pacer } from "../shared/pace.js";
import { steady } from "../shared/steady.js";
import { themeButton } from "../shared/theme.js";
import { duration } from "../shared/words.js";
import { Cue } from "./cue.js";
import { Fitted } from "./fitted.js";
import { Hand } from "./hand.js";
import { Hands } from "./hands.js";
import { LargeValue } from "./large_value.js";
import { frameWords, largeReading, lastWords, placeWords, scoreNumbers, sittingWords, warnings } from "./words.js";

const byId = (id) => document.getElementById(id);
const { body } = document;

let snapshot = null;
let arrived = performance.now();
let linked = false;
let last = "";

themeButton(byId("theme"));
const large = new LargeValue(byId("watch"));
const cue = new Cue({
  place: byId("cue"), bar: byId("bar"), words: byId("cue-words"), button: byId("ticks"), told: byId("told"),
  settings: byId("cue-settings"), dialog: byId("cue-dialog"),
});
const hand = new Hand(byId("buttons"), byId("told"));
const hands = new Hands(hand, cue, byId("hands-settings"), byId("hands-dialog"));
const verdictMark = mark(byId("verdict"));
byId("verdict").prepend(verdictMark);
const fits = Object.fromEntries(
  ["what", "verdict", "verdict-more", "next", "numbers", "warnings", "frames-of", "sitting", "told", "cue-words"]
    .map((id) => [id, new Fitted(byId(id))]),
);
const numbers = [];

// All that is more than a number that changes, as a text.
function emphasis(link, source, reading) {
  const { practice, readings = [] } = snapshot ?? {};
  return JSON.stringify([
    link, source, steady(practice), practice?.last, reading?.watch, reading?.status, reading?.target,
    warnings({ readings }),
  ]);
}

// Whether the source gives nothing.
function isGone({ readings }) {
  return readings.length > 0 && readings.every(({ status }) => status === "offline");
}

function noticeText() {
  if (snapshot === null) return "connecting to lowhalf";
  return linked ? snapshot.note : "no connection to lowhalf";
}

function showNumbers(found) {
  while (numbers.length > found.length) numbers.pop().element.remove();
  while (numbers.length < found.length) {
    const element = child(byId("numbers"), "number", "div");
    numbers.push({ element, name: child(element, "", "dt"), value: child(element, "", "dd") });
  }
  for (const [i, [name, value]] of found.entries()) {
    put(numbers[i].name, name);
    put(numbers[i].value, value);
  }
}

function show(seconds, pace, reading) {
  const { practice, frame } = snapshot;
  const where = placeWords(snapshot);
  put(byId("place"), where.place);
  put(byId("step"), where.step);
  put(byId("hint"), where.hint);
  byId("hint").toggleAttribute("data-alert", where.alert);
  large.show(reading, seconds, pace);
  const [count, of] = practice ? frameWords(practice) : [frame === null ? "–" : String(frame), "frame of the game"];
  put(byId("frames"), count);
  byId("frames").style.setProperty("--digits", String(Math.max(4, count.length)));
  put(byId("frames-of"), of);
  const verdict = lastWords(practice?.last);
  byId("last").dataset.mark = verdict?.mark ?? "none";
  byId("verdict").dataset.mark = verdict?.mark ?? "none";
  put(byId("last-of"), verdict?.of ?? "last");
  put(byId("verdict-words"), verdict?.words ?? (practice ? "none yet" : ""));
  put(byId("verdict-more"), verdict?.more ?? "");
  showNumbers(scoreNumbers(practice));
  put(byId("sitting"), sittingWords(practice));
  const next = practice?.next;
  put(byId("next"), next ? ["next: ", next.step, next.hint && ` – ${next.hint}`].filter(Boolean).join("") : "");
  put(byId("warnings"), warnings(snapshot));
  body.dataset.practice = !practice ? "none" : practice.attempts === undefined ? "steps" : "attempts";
}

function fitAll() {
  const words = (id) => byId(id).textContent;
  for (const [id, fit] of Object.entries(fits)) {
    fit.fit(id === "numbers" ? "" : words(id));
  }
}

function paint(pace) {
  const seconds = (performance.now() - arrived) / 1000;
  const link = linked ? "live" : snapshot === null ? "connecting" : "lost";
  const source = snapshot !== null && isGone(snapshot) ? "offline" : "there";
  const reading = snapshot === null ? null : largeReading(snapshot);
  const fresh = emphasis(link, source, reading);
  const changed = fresh !== last;
  // all of the page is of one frame: where a part has to wait, everything does
  if (changed && !pace.allowed && last !== "") return { changed: false, pending: true };
  last = fresh;
  Object.assign(body.dataset, { link, source });
  if (snapshot !== null) show(seconds + (snapshot.held ?? 0), { ...pace, allowed: true }, reading);
  cue.show();
  put(byId("notice"), noticeText());
  put(byId("age"), linked || snapshot === null ? "" : `, values from ${duration(seconds)} ago`);
  fitAll();
  return { changed, pending: false };
}

const ask = pacer(paint, () => parseFloat(getComputedStyle(byId("frames")).fontSize));

follow(
  (newest) => {
    snapshot = newest;
    arrived = performance.now();
    hand.offer(newest.health?.controls ?? []);
    cue.saw(newest, arrived);
    if (isGone(newest)) cue.lost();
    ask();
  },
  (isLinked) => {
    if (linked === isLinked) return;
    linked = isLinked;
    if (!linked) cue.lost();
    ask();
  },
  ["desk"],
);
hands.write();
addEventListener("resize", ask);
ask();
setInterval(ask, 500);
