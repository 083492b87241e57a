// Times and states in words.

export function duration(seconds) {
  if (seconds < 60) return `${Math.floor(seconds)} s`;
  if (seconds < 3600) return `${Math.floor(seconds / 60)} min`;
  return `${Math.floor(seconds / 3600)} h`;
}

// Statuses that warn of a value that is there all the same.
export const WARNINGS = new Set(["freed", "header", "between", "changed", "damaged"]);

// The words beside a value whose status is shown as *status* and its target as *target*.
export function stateWords(reading, status, target, seconds) {
  if (status === "offline") {
    // what was never there has no age
    return reading.text === "" ? "offline" : `offline ${duration(reading.age + seconds)}`;
  }
  const aim = target === "none" ? "" : target === "hit" ? "hit" : reading.words;
  if (WARNINGS.has(status)) return aim ? `${status}, ${aim}` : status;
  if (status !== "ok") return reading.reason || status;
  return aim;
}

export function percent(share) {
  return `${Math.round(share * 100)} %`;
}

// How an attempt ended.
export function outcomeWords({ outcome, step }) {
  const words = outcome === "cut-off" ? "cut off" : outcome;
  return step ? `${words} at ${step}` : words;
}
