// Steps and attempts in words.

import { percent } from "./words.js";

const MOST_BEFORE = 6; // steps behind the runner whose frames are told

// Where the runner is.
export function where({ phase, attempts, attempt, index, steps, step, too_soon: tooSoon = null }) {
  const waits = tooSoon === null ? "yet to begin" : "acted too soon: done before it began";
  if (phase === "between") return attempts === undefined ? "before the first step" : "between attempts";
  const number = attempt ? `attempt ${attempt}: ` : "";
  if (phase === "done") return `${number}all ${steps} steps done`;
  if (!step) return `${number}under way`;
  return `${number}step ${index} of ${steps}, ${step}${phase === "waiting" ? `, ${waits}` : ""}`;
}

// "late by 3", "right"
export function verdictWords({ verdict, by }) {
  return by === null ? "early: done before it could be" : by ? `${verdict} by ${by}` : verdict;
}

// "late by 3 (frame 17 of 11 to 14)"; where frames were missed, by how many it may be otherwise.
export function timingWords(timing) {
  const { frames, window: [first, last], unsure } = timing;
  const doubt = unsure === null ? ", unsure" : unsure ? `, give or take ${unsure}` : "";
  return verdictWords(timing) + doubt + (frames === null ? "" : ` (frame ${frames} of ${first} to ${last})`);
}

// How the newest step of the way that has a window came out; "" without one.
export function timedWords({ finished = [] }) {
  const timed = finished.findLast(({ timing }) => timing);
  return timed ? `${timed.step} ${timingWords(timed.timing)}` : "";
}

// The last window of an attempt, in a frame or in the file of attempts; null without one.
function lastTiming({ timing, steps = [] }) {
  const timed = timing === undefined ? steps.findLast((each) => each.timing) : null;
  return timed ? { step: timed.step, ...timed.timing } : timing ?? null;
}

// How it came out, after the words on the attempt's outcome; "" without one.
export function lastTimingWords(attempt) {
  const [timing, { step }] = [lastTiming(attempt), attempt];
  if (timing === null) return "";
  const named = timing.step !== step || timing.verdict === "right";
  return (named ? `${timing.step} ` : "") + timingWords(timing);
}

// Why an attempt ended, beside what its last window says already.
export function reasonWords(attempt) {
  const timing = lastTiming(attempt);
  const said = timing === null ? "" : verdictWords(timing);
  return (attempt.reason ?? "").split("; ").filter((each) => each !== said).join("; ");
}

// The current step's window: "frame 7 of 11 to 14", "window 11 to 14" before its moment, or "".
export function windowWords({ window = null }) {
  if (window === null) return "";
  const { frames: [first, last], since } = window;
  return since === null ? `window ${first} to ${last}` : `frame ${since} of ${first} to ${last}`;
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
