// Times and states in words.

export function duration(seconds) {
  if (seconds < 60) return `${Math.floor(seconds)} s`;
  if (seconds < 3600) return `${Math.floor(seconds / 60)} min`;
  return `${Math.floor(seconds / 3600)} h`;
}

// The words beside a value whose status is shown as *status* and its target as *target*.
export function stateWords(reading, status, target, seconds) {
  if (status === "offline") return `offline ${duration(reading.age + seconds)}`;
  if (status !== "ok") return reading.reason || status;
  if (target === "none") return "";
  return target === "hit" ? "hit" : reading.words;
}
