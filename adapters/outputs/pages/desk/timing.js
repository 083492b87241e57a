// When the steps with a window were done, of all attempts: a histogram in frames, how far they lie
// apart, and what a window of another frame would have caught.

import { child, label, put } from "../shared/elements.js";
import { Keyed } from "../shared/keyed.js";
import { percent } from "../shared/words.js";

const TAIL = 8; // frames outside of the window that have bars of their own
const BARS = 28; // at most, but for one at either end; else several frames share one

function timingPart() {
  const element = document.createElement("article");
  element.className = "timing";
  const title = child(element, "timing-title", "h3");
  title.dir = "auto";
  const sums = child(element, "sentence", "p");
  const list = child(element, "bins", "ol");
  list.setAttribute("role", "list");
  const spread = child(element, "spread", "p");
  put(child(element, "aside", "p"), "had the window been a frame wider, right would be");
  const others = child(element, "others facts", "dl");
  const notes = child(element, "aside timing-notes", "ul");
  notes.setAttribute("role", "list");
  return {
    element, title, sums, list, spread,
    bins: new Keyed(list, binRow), others: new Keyed(others, factRow), notes: new Keyed(notes, noteRow),
  };
}

function binRow() {
  const element = document.createElement("li");
  const verdict = child(element, "verdict");
  const frames = child(element, "frames");
  const bar = child(element, "timing-bar");
  bar.setAttribute("aria-hidden", "true");
  const [sure, unsure] = ["sure", "unsure"].map((each) => child(bar, each));
  return { element, verdict, frames, sure, unsure, count: child(element, "count") };
}

function factRow() {
  const element = document.createElement("div");
  element.className = "fact";
  return { element, name: child(element, "", "dt"), words: child(element, "", "dd") };
}

function noteRow() {
  const element = document.createElement("li");
  return { element };
}

function rateWords({ good, count, rate, interval: [low, high] }) {
  return `${good} of ${count}, ${percent(rate)} (${Math.round(low * 100)} to ${percent(high)})`;
}

function verdictOf(frame, [first, last]) {
  if (frame < first) return "early";
  return frame > last ? "late" : "right";
}

// Frames from *from* to *to* in lots of *size*, as [from, to], of which the odd one is last.
function lots(from, to, size) {
  const found = [];
  for (let at = from; at <= to; at += size) found.push([at, Math.min(to, at + size - 1)]);
  return found;
}

// The bars from the first to the last frame in which it was done, and of all the window: each
// {from, to, verdict, count, unsure}.  None holds frames of two verdicts.
export function bars({ window: [first, last], histogram }) {
  const least = Math.min(first, histogram[0]?.frames ?? first);
  const most = Math.max(last, histogram.at(-1)?.frames ?? last);
  const [low, high] = [Math.max(least, first - TAIL), Math.min(most, last + TAIL)];
  const size = Math.ceil((high - low + 1) / BARS);
  const spans = [
    ...(least < low ? [[least, low - 1]] : []),
    // counted from the window on
    ...lots(1, first - low, size).map(([from, to]) => [first - to, first - from]).reverse(),
    ...lots(first, last, size),
    ...lots(last + 1, high, size),
    ...(most > high ? [[high + 1, most]] : []),
  ];
  return spans.map(([from, to]) => {
    const inside = histogram.filter(({ frames }) => frames >= from && frames <= to);
    const sum = (name) => inside.reduce((all, each) => all + each[name], 0);
    return { from, to, verdict: verdictOf(from, [first, last]), count: sum("count"), unsure: sum("unsure") };
  });
}

function spreadWords({ least, lower, median, upper, most }) {
  return `median ${median}, half of them ${lower} to ${upper}, all ${least} to ${most}`;
}

// What another window would have caught, as [which, words].
function otherWindows({ window: [first, last], earlier, later, wider }) {
  const found = [[`${first} to ${last + 1}`, rateWords(later)]];
  if (earlier === null) return found;
  return [[`${first - 1} to ${last}`, rateWords(earlier)], ...found, [`${first - 1} to ${last + 1}`, rateWords(wider)]];
}

function noteLines({ before, too_soon: soon, unsure, not_whole: notWhole }) {
  const found = [];
  if (before > 0) found.push(`${before} done before the moment came: in no bar`);
  if (soon > 0) found.push(`acted too soon, while it waited for its begin: ${soon}`);
  if (unsure > 0) found.push(`frames were missed around ${unsure}: those may be others (outlined)`);
  if (notWhole > 0) found.push(`frames of the step were missed in ${notWhole}`);
  return found;
}

export class TimingPanel {
  constructor(element) {
    this.element = element;
    this.timings = new Keyed(child(element, "timings", "div"), timingPart);
    this.last = "";
  }

  // What the file of attempts has; null without one.
  show(history) {
    const timings = history?.timing ?? [];
    const fresh = JSON.stringify(timings);
    if (fresh === this.last) return;
    this.last = fresh;
    this.element.hidden = timings.length === 0;
    this.timings.show(timings, ({ step, window }) => JSON.stringify([step, window]), fill);
  }
}

function fill(parts, timing) {
  const { step, window: [first, last], right, early, late } = timing;
  put(parts.title, `${step}, frames ${first} to ${last}`);
  put(parts.sums, `${rateWords(right)} right; ${early} early, ${late} late`);
  const found = bars(timing);
  const most = Math.max(...found.map(({ count }) => count), 1);
  label(parts.list, `${step}: attempts by the frame in which it was done`);
  parts.list.hidden = timing.histogram.length === 0;
  parts.bins.show(found, ({ from, to }) => `${from} ${to}`, (row, { from, to, verdict, count, unsure }) => {
    row.element.dataset.verdict = verdict;
    put(row.verdict, verdict);
    put(row.frames, from === to ? String(from) : `${from} to ${to}`);
    row.sure.style.setProperty("--share", ((count - unsure) / most).toFixed(4));
    row.unsure.style.setProperty("--share", (unsure / most).toFixed(4));
    put(row.count, count === 0 ? "" : String(count));
  });
  put(parts.spread, timing.spread ? `${spreadWords(timing.spread)} frames from the moment` : "");
  parts.others.show(otherWindows(timing), ([name]) => name, (row, [name, words]) => {
    put(row.name, name);
    put(row.words, words);
  });
  parts.notes.show(noteLines(timing), (line) => line, (row, line) => put(row.element, line));
}
