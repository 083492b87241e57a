// Of steps and attempts, what does not change with every frame, as a text.

// What changes with every frame, and is no emphasis.
const CHANGING = new Set([
  "frames", "attempt_frames", "frames_seen", "attempt_frames_seen", "attempt_whole", "attempt_long",
]);
// The same; but that there is a number at all is more than a number that changes.
const COUNTING = new Set(["since", "too_soon"]);

export function steady(practice) {
  return JSON.stringify(practice ?? null, (key, value) => {
    if (COUNTING.has(key)) return (value ?? null) !== null;
    return CHANGING.has(key) ? undefined : value;
  });
}
