// Steps and attempts in words.

import { percent } from "/pages/words.js";

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

export function rateWords({ attempts, successes, rate }) {
  if (rate === null) return "no attempt has ended yet";
  return `${successes} of ${attempts} attempts, ${percent(rate)}`;
}
