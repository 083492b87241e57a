// Times and states in words.

export function duration(seconds) {
  if (seconds < 60) return `${Math.floor(seconds)} s`;
  if (seconds < 3600) return `${Math.floor(seconds / 60)} min`;
  return `${Math.floor(seconds / 3600)} h`;
}

// Statuses that warn of a value that is there all the same.
export const WARNINGS = new Set(["freed", "header", "between", "changed", "damaged"]);

// Whether a reading of this status has a value of its frame.
export function hasValue(status) {
  return status === "ok" || WARNINGS.has(status);
}

// Which shape stands for a state; "none" for an ordinary value without a target.
export function markOf(status, target) {
  if (status === "offline") return "offline";
  if (WARNINGS.has(status)) return "warning";
  if (status !== "ok") return "absent";
  return target;
}

// The value of a reading, as there is room for it; a dash where there is none.
export function valueText({ shown, text, status }) {
  const value = shown ?? text;
  return value === "" && status !== "ok" ? "–" : value;
}

// The words beside a value: its target's state, or the status in plain words.  The reason, which
// names expressions, is not among them; the desk's working has it.
export function stateWords(reading, seconds) {
  const { status, target, words, plain } = reading;
  if (status === "offline") {
    // what was never there has no age
    return reading.text === "" ? "offline" : `offline ${duration(reading.age + seconds)}`;
  }
  const aim = target === "hit" ? "hit" : target === "miss" ? words : "";
  if (WARNINGS.has(status)) return aim ? `${status}, ${aim}` : status;
  if (status !== "ok") return plain || status;
  return aim;
}

// The same where there is little room: of a status what can stand alone.
export function briefWords(reading, seconds) {
  const words = stateWords(reading, seconds);
  return hasValue(reading.status) ? words : words.split(": ", 1)[0];
}

export function percent(share) {
  return `${Math.round(share * 100)} %`;
}

// How much of a heap is free; what is less than half a percent is told in bytes.
export function freeWords({ bytes, free_bytes: free }) {
  const share = percent(bytes > 0 ? free / bytes : 0);
  return free > 0 && share === percent(0) ? `0x${free.toString(16).toUpperCase()} bytes free` : `${share} free`;
}

// How an attempt ended.
export function outcomeWords({ outcome, step }) {
  const words = outcome.replace("-", " ");
  return step ? `${words} at ${step}` : words;
}
