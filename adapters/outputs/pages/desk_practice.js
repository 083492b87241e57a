// Steps now, what attempts gave so far, and the last of them.

import { Chances } from "/pages/chances.js";
import { mark, child, put } from "/pages/elements.js";
import { rateWords, states, where } from "/pages/practice_words.js";
import { outcomeWords, percent } from "/pages/words.js";

const LISTED = 12;
const OUTCOMES = { success: "hit", failed: "absent", reset: "miss", "cut-off": "offline" };

function timeWords({ frames, seconds }) {
  const parts = [];
  if (frames !== null && frames !== undefined) parts.push(`${frames} frame${frames === 1 ? "" : "s"}`);
  if (seconds !== null && seconds !== undefined) parts.push(`${seconds.toFixed(2)} s`);
  return parts.join(", ");
}

function sureWords(practice) {
  if (practice.rate === null) return rateWords(practice);
  const [low, high] = practice.interval;
  return `${rateWords(practice)} (95 % sure: ${Math.round(low * 100)} to ${percent(high)})`;
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
    this.chances = new Chances(element);
    this.best = child(element, "aside", "p");
    this.past = child(element, "past", "ol");
    this.past.setAttribute("role", "list");
    this.past.setAttribute("aria-label", "last attempts, the newest first");
    this.history = null;
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
    const valueless = !none && practice.reason ? "what is looked for has no value now" : "";
    put(this.hint, none ? "" : practice.hint || valueless);
    this.hint.hidden = this.hint.textContent === "";
    this.showSteps(none ? [] : this.lines(practice));
    const scored = !none && practice.attempts !== undefined;
    put(this.rate, scored ? this.scoreWords(practice) : "");
    this.chances.show(scored ? practice.rate : null, practice?.interval);
    return { changed: true, pending: false };
  }

  scoreWords(practice) {
    const parts = [sureWords(practice)];
    if (practice.streak > 1) parts.push(`${practice.streak} in a row`);
    if (practice.cut_off > 0) parts.push(`${practice.cut_off} cut off`);
    return parts.join("; ");
  }

  // [name, state, words]; names come from the history and the rates, as far as they tell them.
  lines(practice) {
    const { index, steps, step, step_rates: rates = [] } = practice;
    const known = (this.history?.steps ?? rates).slice(0, steps);
    return states(practice).map((state, i) => {
      const name = i + 1 === index && step ? step : known[i]?.step ?? `step ${i + 1}`;
      const found = rates.find((each) => each.step === name);
      const rate = found && found.rate !== null && found.rate !== undefined ? percent(found.rate) : "";
      return [name, state, rate];
    });
  }

  showSteps(lines) {
    this.steps.hidden = lines.length === 0;
    while (this.steps.children.length > lines.length) this.steps.lastChild.remove();
    while (this.steps.children.length < lines.length) {
      const item = child(this.steps, "", "li");
      child(item, "dash").setAttribute("aria-hidden", "true");
      child(item, "name").dir = "auto";
      child(item, "said");
      child(item, "share");
    }
    for (const [i, [name, state, rate]] of lines.entries()) {
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
