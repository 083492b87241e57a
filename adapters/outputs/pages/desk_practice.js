// Steps now, what attempts gave so far, and the last of them.

import { mark, child, put } from "/pages/elements.js";
import { outcomeWords, percent } from "/pages/words.js";

const LISTED = 12;
const OUTCOMES = { success: "hit", failed: "absent", reset: "miss", "cut-off": "offline" };

function where({ phase, attempts, attempt, index, steps, step }) {
  if (phase === "between") return attempts === undefined ? "before the first step" : "between attempts";
  const number = attempt ? `attempt ${attempt}: ` : "";
  if (phase === "done") return `${number}all ${steps} steps done`;
  if (!step) return `${number}under way`;
  return `${number}step ${index} of ${steps}, ${step}${phase === "waiting" ? ", yet to begin" : ""}`;
}

function timeWords({ frames, seconds }) {
  const parts = [];
  if (frames !== null && frames !== undefined) parts.push(`${frames} frame${frames === 1 ? "" : "s"}`);
  if (seconds !== null && seconds !== undefined) parts.push(`${seconds.toFixed(2)} s`);
  return parts.join(", ");
}

export function rateWords({ attempts, successes, rate, interval }) {
  if (rate === null) return "no attempt has ended yet";
  const [low, high] = interval;
  return `${successes} of ${attempts} attempts, ${percent(rate)} (95 % sure: ${Math.round(low * 100)} to ${percent(high)})`;
}

export class PracticePanel {
  constructor(element) {
    this.element = element;
    this.where = child(element, "sentence", "p");
    this.where.dir = "auto";
    this.hint = child(element, "hint", "p");
    this.hint.dir = "auto";
    this.steps = child(element, "steps", "ol");
    this.steps.setAttribute("role", "list");
    this.steps.setAttribute("aria-label", "steps");
    this.rate = child(element, "rate", "p");
    this.line = child(element, "chances", "div");
    this.line.setAttribute("aria-hidden", "true");
    for (const part of ["track", "range", "point"]) child(this.line, part);
    this.best = child(element, "aside", "p");
    this.past = child(element, "past", "ol");
    this.past.setAttribute("role", "list");
    this.past.setAttribute("aria-label", "last attempts, the newest first");
    this.history = null;
    this.hinted = false;
    this.last = "";
    this.listed = "";
  }

  // What the file of attempts has; null without one.
  remember(history) {
    this.history = history;
    this.last = "";
    this.list();
  }

  show(practice, allowed) {
    const fresh = JSON.stringify(practice ?? null, (key, value) =>
      key === "frames" || key === "attempt_frames" ? undefined : value);
    if (fresh === this.last) return { changed: false, pending: false };
    if (!allowed && this.last !== "") return { changed: false, pending: true };
    this.last = fresh;
    const none = !practice;
    put(this.where, none ? "no steps and no attempts in the bridge file" : where(practice));
    put(this.hint, none ? "" : practice.hint || practice.reason);
    // once there was a hint, its room is kept, so that nothing moves
    this.hinted ||= this.hint.textContent !== "";
    this.hint.hidden = !this.hinted;
    this.showSteps(none ? [] : this.states(practice));
    const scored = !none && practice.attempts !== undefined;
    put(this.rate, scored ? this.scoreWords(practice) : "");
    this.line.hidden = !scored || practice.rate === null;
    if (!this.line.hidden) {
      const [low, high] = practice.interval;
      this.line.style.setProperty("--low", low.toFixed(4));
      this.line.style.setProperty("--high", high.toFixed(4));
      this.line.style.setProperty("--rate", practice.rate.toFixed(4));
    }
    return { changed: true, pending: false };
  }

  scoreWords(practice) {
    const parts = [rateWords(practice)];
    if (practice.streak > 1) parts.push(`${practice.streak} in a row`);
    if (practice.cut_off > 0) parts.push(`${practice.cut_off} cut off`);
    return parts.join("; ");
  }

  // [name, state, words]; names come from the history and the rates, as far as they tell them.
  states({ phase, index, steps, step, step_rates: rates = [] }) {
    const known = (this.history?.steps ?? rates).slice(0, steps);
    return Array.from({ length: steps }, (_, i) => {
      const at = i + 1;
      const name = at === index && step ? step : known[i]?.step ?? `step ${at}`;
      const state = phase === "done" || at < index ? "done" : at === index ? "now" : "ahead";
      const found = rates.find((each) => each.step === name);
      const rate = found && found.rate !== null && found.rate !== undefined ? percent(found.rate) : "";
      return [name, state, rate];
    });
  }

  showSteps(states) {
    this.steps.hidden = states.length === 0;
    while (this.steps.children.length > states.length) this.steps.lastChild.remove();
    while (this.steps.children.length < states.length) {
      const item = child(this.steps, "", "li");
      child(item, "dash").setAttribute("aria-hidden", "true");
      child(item, "name").dir = "auto";
      child(item, "said");
      child(item, "share");
    }
    for (const [i, [name, state, rate]] of states.entries()) {
      const [, called, said, share] = this.steps.children[i].children;
      this.steps.children[i].dataset.state = state;
      put(called, name);
      put(said, state);
      put(share, rate);
    }
  }

  list() {
    const attempts = (this.history?.attempts ?? []).slice(-LISTED).reverse();
    const fresh = JSON.stringify(attempts);
    if (fresh === this.listed) return;
    this.listed = fresh;
    const best = this.history?.totals;
    const words = best && best.frames.best !== null
      ? `successes: best ${timeWords({ frames: best.frames.best, seconds: best.seconds.best })}; `
        + `median ${timeWords({ frames: best.frames.median, seconds: best.seconds.median })}`
      : "";
    put(this.best, words);
    this.past.hidden = attempts.length === 0;
    while (this.past.children.length > attempts.length) this.past.lastChild.remove();
    while (this.past.children.length < attempts.length) {
      const item = child(this.past, "", "li");
      child(item, "number");
      mark(item);
      child(item, "words").dir = "auto";
      child(item, "time");
    }
    for (const [i, attempt] of attempts.entries()) {
      const item = this.past.children[i];
      const [number, , said, time] = item.children;
      item.dataset.mark = OUTCOMES[attempt.outcome] ?? "none";
      put(number, String(attempt.attempt));
      const ended = attempt.outcome === "open" ? "under way" : outcomeWords(attempt);
      put(said, ended + (attempt.reason ? `: ${attempt.reason}` : ""));
      put(time, timeWords(attempt));
    }
  }
}
