// Of steps and attempts, what does not change with every frame, as a text.

// What changes with every frame, and is no emphasis.
const CHANGING = new Set([
  "frames", "attempt_frames", "frames_seen", "attempt_frames_seen", "attempt_whole", "attempt_long",
]);

export function steady(practice) {
  return JSON.stringify(practice ?? null, (key, value) => (CHANGING.has(key) ? undefined : value));
}
