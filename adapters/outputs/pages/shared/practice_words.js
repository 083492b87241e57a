// Steps and attempts in words.

import { percent } from "./words.js";

const MOST_BEFORE = 6; // steps behind the runner whose frames are told

// Where the runner is.
export function where({ phase, attempts, attempt, index, steps, step }) {
  if (phase === "between") return attempts === undefined ? "before the first step" : "between attempts";
  const number = attempt ? `attempt ${attempt}: ` : "";
  if (phase === "done") return `${number}all ${steps} steps done`;
  if (!step) return `${number}under way`;
  return `${number}step ${index} of ${steps}, ${step}${phase === "waiting" ? ", yet to begin" : ""}`;
}

// done, now or ahead, for each step
export function states({ phase, index, steps }) {
  return Array.from({ length: steps }, (_, number) => {
    if (phase === "done" || number + 1 < index) return "done";
    return number + 1 === index ? "now" : "ahead";
  });
}

export function countWords(frames) {
  return `${frames} frame${frames === 1 ? "" : "s"}`;
}

// How many frames of something were not seen, 0 also where only earlier ones were missed.
function missing({ frames, frames_seen: seen }) {
  return Math.max(0, (frames ?? 0) - (seen ?? frames ?? 0));
}

// Frames that were missed of an attempt that ended; "" where all were seen, or where that is not
// known.
export function missedWords(attempt) {
  if (attempt.whole !== false) return "";
  if ((attempt.frames ?? null) === null) return "frames missed, nobody knows how many";
  const missed = missing(attempt);
  return missed > 0 ? `${missed} of ${attempt.frames} frames missed` : "frames missed before it";
}

// The same beside a number of frames.
export function missedBeside(part) {
  if (part.whole !== false) return "";
  const missed = missing(part);
  return missed > 0 ? `${missed} missed` : "frames missed";
}

// The same of the attempt that is open.
export function missedNow({ attempt_whole: whole, attempt_frames: frames, attempt_frames_seen: seen }) {
  return missedBeside({ whole, frames, frames_seen: seen });
}

// The frames of the steps that are done, in their order: "60 + 1"; "" without any.
function tookWords(finished = []) {
  const numbers = finished.map(({ frames }) => String(frames));
  return (numbers.length > MOST_BEFORE ? ["…", ...numbers.slice(-MOST_BEFORE)] : numbers).join(" + ");
}

// How long the runner is in his step, and took for those before; "" outside of attempts.
export function spentWords(practice) {
  const { phase, step, frames, attempt_frames: all = 0, finished } = practice;
  if (phase === "between") return "";
  const took = tookWords(finished);
  if (phase === "done") return took && `in ${took} frames`;
  return countWords(step ? frames : all) + (took && ` after ${took}`);
}

export function rateWords({ attempts, successes, rate }) {
  if (rate === null) return "no attempt has ended yet";
  return `${successes} of ${attempts} attempts, ${percent(rate)}`;
}
