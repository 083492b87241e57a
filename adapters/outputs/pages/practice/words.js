// What the page says of a snapshot, in words; nothing here touches the page.

import { missedNow, missedWords, reasonWords, verdictWords } from "../shared/practice_words.js";
import { missing } from "../shared/rows.js";
import { byWarning } from "../shared/warned_once.js";
import { outcomeWords, percent } from "../shared/words.js";

const MARKS = { success: "hit", failed: "absent", "given-up": "miss", "cut-off": "offline" };
const DASH = "–";

// The reading that is large: the step's own, else the first with a target, else the first.
export function largeReading({ readings, practice }) {
  if (readings.length === 0) return null;
  const show = practice?.show;
  if (show) return readings.find(({ watch }) => watch === show) ?? missing(show);
  return readings.find(({ target_text: aim }) => aim !== null) ?? readings[0];
}

// {place, step, hint, alert}: where the runner is; *alert* says that the hint is a warning.
export function placeWords({ practice, frame }) {
  const none = (frame ?? null) === null ? "no frame yet" : "no steps in the bridge file";
  if (!practice) return { place: "", step: none, hint: "", alert: false };
  const { phase, step, index, steps, attempt, attempts } = practice;
  const number = attempt ? `attempt ${attempt}` : "";
  const of = step ? `step ${index} of ${steps}` : "";
  const yet = phase === "waiting" ? "yet to begin" : "";
  const place = [number, of, yet].filter(Boolean).join(" · ");
  let name = step;
  if (phase === "between") name = attempts === undefined ? "before the first step" : "between attempts";
  else if (phase === "done") name = steps === 1 ? "the step is done" : `all ${steps} steps done`;
  else if (!step) name = "under way";
  if ((practice.too_soon ?? null) !== null) {
    return { place, step: name, hint: "acted too soon: done before it began", alert: true };
  }
  const valueless = practice.reason ? "what is looked for has no value now" : "";
  return { place, step: name, hint: practice.hint || valueless, alert: false };
}

// [number, of what]
export function frameWords(practice) {
  const { phase, step, frames, attempt_frames: all, attempt } = practice;
  const missed = missedNow(practice);
  const told = (number, of) => [String(number), [of, missed].filter(Boolean).join(" · ")];
  const unit = (number) => (number === 1 ? "frame" : "frames");
  if (phase === "between") return [DASH, `no ${attempt === undefined ? "step" : "attempt"} is under way`];
  if (phase === "waiting") return told(frames, `${unit(frames)} of waiting`);
  if (phase === "done") return all === undefined ? [DASH, "all done"] : told(all, `${unit(all)} in this attempt`);
  if (step) return told(frames, `${unit(frames)} in this step`);
  return told(all ?? frames, `${unit(all ?? frames)} in this attempt`);
}

// When a step was done, beside its verdict.
function timingWords({ step, frames, window: [first, last], unsure }) {
  const doubt = unsure === null ? ", unsure" : unsure ? `, give or take ${unsure}` : "";
  if (frames === null) return `${step}: done before it could be`;
  return `${step}: frame ${frames} of ${first} to ${last}${doubt}`;
}

function offWords(timing) {
  return timing.by === null ? timing.verdict : verdictWords(timing);
}

// {of, mark, words, more} of the attempt that ended last; null without one.
export function lastWords(last) {
  if (!last) return null;
  const { timing, outcome, step } = last;
  const off = timing && timing.verdict !== "right" && outcome !== "success";
  const number = last.attempt ? `last: attempt ${last.attempt}` : "last time";
  return {
    of: last.by_hand ? `${number}, by hand` : number,
    mark: MARKS[outcome] ?? "none",
    words: off ? offWords(timing) : outcomeWords({ outcome, step: "" }),
    more: [
      timing ? timingWords(timing) : "",
      step && timing?.step !== step ? `at ${step}` : "",
      reasonWords(last),
      missedWords(last),
    ].filter(Boolean).join("; "),
  };
}

function number(value) {
  return (value ?? null) === null ? DASH : String(Math.round(value * 10) / 10);
}

// [name, number] of the last attempt, the best, the median and the streak; none without attempts.
export function scoreNumbers(practice) {
  if (!practice || practice.attempts === undefined) return [];
  const { last, best, median, streak } = practice;
  const told = { last: last?.frames, best, median, "in a row": streak };
  return Object.entries(told).map(([name, value]) => [name, number(value)]);
}

// What this sitting gave, and all together.
export function sittingWords(practice) {
  if (!practice || practice.attempts === undefined) return "";
  const told = ({ successes, attempts, rate }) => `${successes} of ${attempts}, ${percent(rate)}`;
  const { session } = practice;
  if (practice.attempts === 0) return "in frames; no attempt has ended yet";
  const now = session && session.attempts > 0 && session.attempts < practice.attempts
    ? `this sitting ${told(session)}; ` : "";
  return `in frames; ${now}all ${told(practice)}`;
}

// What is to be taken with care, each once, however many watches it is true of.
export function warnings({ readings }) {
  return byWarning(readings).map(({ status, plain, readings: [first, ...others] }) => (
    `${first.label}${others.length ? ` and ${others.length} more` : ""}: ${plain || status}`
  )).join("; ");
}
