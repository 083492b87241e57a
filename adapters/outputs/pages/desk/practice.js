// Steps now, what attempts gave so far, and the last of them.

import { Chances } from "../shared/chances.js";
import { child, label, mark, put } from "../shared/elements.js";
import { Keyed } from "../shared/keyed.js";
import {
  countWords, lastTimingWords, missedBeside, missedNow, missedWords, rateWords, reasonWords, states, timingWords, where,
  windowWords,
} from "../shared/practice_words.js";
import { outcomeWords, percent } from "../shared/words.js";
import { steady } from "../shared/steady.js";

const LISTED = 12;
const OUTCOMES = { success: "hit", failed: "absent", "given-up": "miss", "cut-off": "offline" };

function stepRow() {
  const element = document.createElement("li");
  child(element, "dash").setAttribute("aria-hidden", "true");
  const name = child(element, "name");
  name.dir = "auto";
  const [said, spent, share] = ["said", "spent", "share"].map((each) => child(element, each));
  return { element, name, said, spent, share };
}

function attemptRow() {
  const element = document.createElement("li");
  const number = child(element, "number");
  mark(element);
  const words = child(element, "words");
  words.dir = "auto";
  const [missed, time] = ["missed", "time"].map((each) => child(element, each));
  const again = child(element, "again");
  return { element, number, words, missed, time, again, clip: null };
}

// A step's frames that may have been missed are also those in which it waited.
function inStep(step) {
  return { ...step, frames: step.frames + (step.waited ?? 0) };
}

function timeWords({ frames, seconds }) {
  const parts = [];
  if (frames !== null && frames !== undefined) parts.push(countWords(frames));
  if (seconds !== null && seconds !== undefined) parts.push(`${seconds.toFixed(2)} s`);
  return parts.join(", ");
}

function sureWords(practice) {
  if (practice.rate === null) return rateWords(practice);
  const [low, high] = practice.interval;
  return `${rateWords(practice)} (95 % sure: ${Math.round(low * 100)} to ${percent(high)})`;
}

export class PracticePanel {
  // *look* is called with the clip of an attempt that is to be looked at.
  constructor(element, look) {
    this.look = look;
    this.clips = new Map(); // by the attempt's number
    this.element = element;
    this.where = child(element, "sentence", "p");
    this.where.dir = "auto";
    this.length = child(element, "length aside", "p");
    this.hint = child(element, "hint", "p");
    this.hint.dir = "auto";
    this.steps = child(element, "steps", "ol");
    this.steps.setAttribute("role", "list");
    this.steps.setAttribute("aria-label", "steps");
    this.rows = new Keyed(this.steps, stepRow);
    this.rate = child(element, "rate", "p");
    this.chances = new Chances(element);
    this.sitting = child(element, "sitting aside", "p");
    this.sitting.dir = "auto";
    this.best = child(element, "aside", "p");
    this.past = child(element, "past", "ol");
    this.past.setAttribute("role", "list");
    this.past.setAttribute("aria-label", "last attempts, the newest first");
    this.past.tabIndex = 0; // so that the keyboard can scroll it
    this.attempts = new Keyed(this.past, attemptRow);
    this.history = null;
    this.live = true; // the file tells of the live game
    this.shown = null; // the practice that is shown
    this.last = "";
    this.listed = "";
  }

  // What the file of attempts has; null without one.
  remember(history) {
    this.history = history;
    // it has its turn as all else has: else a file that is read again and again, as where attempts
    // end several times a second, would leave none to anything else
    if (this.last !== "") this.last = "remembered";
    this.list();
  }

  // Which attempts can be looked at again.
  keep(pasts) {
    const clips = pasts.filter(({ kind, attempt }) => kind === "clip" && attempt !== null);
    this.clips = new Map(clips.map((clip) => [clip.attempt, clip]));
    this.list();
  }

  // Whether the live game is shown, or a past moment, beside which nothing later may stand.
  follow(live) {
    if (live === this.live) return;
    this.live = live;
    this.list();
  }

  show(practice, allowed) {
    const fresh = steady(practice);
    if (fresh === this.last) {
      this.tick(practice); // frames are no emphasis: they go on
      return { changed: false, pending: false };
    }
    // while the step waits, so do its frames: they must not be another step's
    if (!allowed && this.last !== "") return { changed: false, pending: true };
    this.last = fresh;
    const none = !practice;
    put(this.where, none ? "no steps and no attempts in the bridge file" : where(practice));
    const valueless = !none && practice.reason ? "what is looked for has no value now" : "";
    put(this.hint, none ? "" : practice.hint || valueless);
    this.hint.hidden = this.hint.textContent === "";
    this.showSteps(none ? [] : this.lines(practice));
    this.tick(practice);
    const scored = !none && practice.attempts !== undefined;
    put(this.rate, scored ? this.scoreWords(practice) : "");
    this.chances.show(scored ? practice.rate : null, practice?.interval);
    put(this.sitting, scored ? this.sittingWords(practice) : "");
    this.sitting.hidden = this.sitting.textContent === "";
    this.shown = practice ?? null;
    this.list();
    return { changed: true, pending: false };
  }

  scoreWords(practice) {
    const parts = [sureWords(practice)];
    if (practice.streak > 1) parts.push(`${practice.streak} in a row`);
    if (practice.cut_off > 0) parts.push(`${practice.cut_off} cut off`);
    if (practice.not_whole > 0) parts.push(`${practice.not_whole} with frames missed`);
    return parts.join("; ");
  }

  // What this session gave beside all, and the note that the file has of it.
  sittingWords({ session, attempts }) {
    if (!session || session.attempts === 0) return "";
    const note = this.live && this.history?.sessions?.find((each) => each.session === session.session)?.note;
    if (session.attempts === attempts && !note) return "";
    return `session ${session.session}${note ? ` (${note})` : ""}: ${sureWords(session)}`;
  }

  // [name, [state, how its window came out], words]; names come from the history and the rates, as far as they tell them.
  lines(practice) {
    const { index, steps, step, step_rates: rates = [] } = practice;
    const known = (this.history?.steps ?? rates).slice(0, steps);
    return states(practice).map((state, i) => {
      const name = i + 1 === index && step ? step : known[i]?.step ?? `step ${i + 1}`;
      const found = rates.find((each) => each.step === name);
      const rate = found && found.rate !== null && found.rate !== undefined ? percent(found.rate) : "";
      const timing = practice.finished?.[i]?.timing;
      return [name, [state, timing && timingWords(timing)], rate];
    });
  }

  showSteps(lines) {
    this.steps.hidden = lines.length === 0;
    this.rows.show(lines.map((line, i) => [i, ...line]), ([number]) => number, (row, [, name, said, rate]) => {
      row.element.dataset.state = said[0];
      put(row.name, name);
      put(row.said, said.filter(Boolean).join(", "));
      put(row.share, rate);
    });
  }

  // What changes with every frame: how long it has been.
  tick(practice) {
    const { phase, index = 0, frames = 0, finished = [], attempt, attempt_frames: all } = practice ?? {};
    const under = phase === "running" || phase === "waiting";
    for (const [i, row] of [...this.rows.parts.values()].entries()) {
      const done = i < finished.length ? finished[i] : null;
      const spent = done?.frames ?? (under && i + 1 === index ? frames : null);
      const words = spent === null ? [] : [countWords(spent), done ? missedBeside(inStep(done)) : ""];
      put(row.spent, words.filter(Boolean).join(", "));
    }
    const long = practice?.attempt_long ? "unusually long" : "";
    const words = attempt ? [`${countWords(all)} so far`, long, missedNow(practice)] : [];
    words.push(windowWords(practice ?? {}));
    put(this.length, words.filter(Boolean).join(", "));
  }

  // The attempts of the file, which is read now and then, with what the frame itself tells: the one
  // that is open and the one that ended last.  None is under way beside the frame's.
  told() {
    const filed = this.live ? this.history?.attempts ?? [] : [];
    const all = new Map(filed.map((each) => [each.attempt, each]));
    const now = this.shown;
    if (now?.attempts !== undefined) {
      for (const [number, { outcome }] of all) if (outcome === "open") all.delete(number);
      if (now.last) all.set(now.last.attempt, { ...all.get(now.last.attempt), ...now.last });
      if (now.attempt) all.set(now.attempt, { attempt: now.attempt, outcome: "open" });
    }
    return [...all.values()].sort((one, other) => one.attempt - other.attempt);
  }

  list() {
    const attempts = this.told().slice(-LISTED).reverse();
    const clips = attempts.map(({ attempt }) => (this.live && this.clips.get(attempt)) || null);
    const fresh = JSON.stringify([attempts, clips]);
    if (fresh === this.listed) return;
    this.listed = fresh;
    const best = this.live ? this.history?.totals : null;
    const words = best && best.frames.best !== null
      ? `successes: best ${timeWords({ frames: best.frames.best, seconds: best.seconds.best })}; `
        + `median ${timeWords({ frames: best.frames.median, seconds: best.seconds.median })}`
      : "";
    put(this.best, words);
    this.past.hidden = attempts.length === 0;
    this.attempts.show(attempts, ({ attempt }) => attempt, (row, attempt, i) => {
      this.offer(row, clips[i]);
      row.element.dataset.mark = OUTCOMES[attempt.outcome] ?? "none";
      row.element.dataset.whole = attempt.whole === false ? "no" : "yes";
      put(row.number, String(attempt.attempt));
      const ended = attempt.outcome === "open" ? "under way" : outcomeWords(attempt);
      const hand = [attempt.by_hand && ", by hand", attempt.undone && ", taken back"].filter(Boolean).join("");
      const [timing, reason] = [lastTimingWords(attempt), reasonWords(attempt)];
      put(row.words, ended + hand + (timing && `, ${timing}`) + (reason && `: ${reason}`));
      put(row.missed, missedWords(attempt));
      put(row.time, timeWords(attempt));
    });
  }

  // To look at the attempt again, and at another beside it.
  offer(row, clip) {
    if (row.clip?.id === clip?.id) return;
    row.clip = clip;
    row.again.replaceChildren();
    if (clip === null) return;
    const button = child(row.again, "plain", "button");
    button.type = "button";
    put(button, "Look again");
    label(button, `Look at attempt ${clip.attempt} again`);
    button.addEventListener("click", () => this.look(row.clip));
    const link = child(row.again, "plain", "a");
    link.href = `/beside?a=${encodeURIComponent(clip.id)}`;
    label(link, `Attempt ${clip.attempt} beside another`);
    put(link, "Beside");
  }
}
