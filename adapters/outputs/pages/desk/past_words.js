// Pasts, their moments and their marks in words.

export const MARKS = {
  attempt: "attempt", outcome: "outcome", step: "step", heap: "heap event", gap: "gap", reset: "reset",
};

// Minutes and seconds: "2:07.4".
export function clockWords(seconds) {
  const tenths = Math.round(seconds * 10);
  const rest = ((tenths % 600) / 10).toFixed(1);
  return `${Math.floor(tenths / 600)}:${rest.padStart(4, "0")}`;
}

// A clip's title names its attempt and how that ended.
export function pastTitle({ kind, title }) {
  if (kind === "clip") return title;
  return kind === "rolling" ? `the rolling recording (${title})` : `the recording ${title}`;
}

// The past of a name; null without one.  What was opened of the rolling recording stands in no
// list, where the same has a higher number.
export function pastOf(pasts, name) {
  const part = /^rolling-\d+(.*)$/.exec(name ?? "")?.[1];
  const rolling = pasts.find(({ kind, id }) => kind === "rolling" && id.replace(/^rolling-\d+/, "") === part);
  return pasts.find(({ id }) => id === name) ?? (rolling ? { ...rolling, id: name } : null);
}

// Seconds since a timeline's first frame, as near as its groups tell.
export function secondsAt({ starts, rate }, place) {
  let found = null;
  for (const start of starts) {
    if (start[0] > place) break;
    found = start;
  }
  if (found === null) return 0;
  return found[2] + (rate > 0 ? (place - found[0]) / rate : 0);
}

// The place at so many seconds, as near as its groups tell.
export function placeAtSeconds({ starts, rate, count }, seconds) {
  let at = 0;
  while (at + 1 < starts.length && starts[at + 1][2] <= seconds) at++;
  const [place, , begun] = starts[at] ?? [0, 0, 0];
  const next = starts[at + 1]?.[0] ?? count - 1;
  return Math.min(next, place + (seconds - begun) * rate);
}

// The place of a frame's number; where it repeats, the last; null where there is none.
export function placeOf({ starts, count }, frame) {
  for (let i = starts.length - 1; i >= 0; i--) {
    const [place, first] = starts[i];
    const next = starts[i + 1]?.[0] ?? count;
    if (frame >= first && place + frame - first < next) return place + frame - first;
  }
  return null;
}

export function placeWords(timeline, place) {
  return timeline.starts.length === 0 ? `place ${place}` : clockWords(secondsAt(timeline, place));
}

export function endOf(timeline) {
  return secondsAt(timeline, Math.max(0, timeline.count - 1));
}

// Words of a heap event begin with its frame, which stands beside them here.
export function bare(words) {
  return words.replace(/^frame \d+\s+/, "");
}

export function markWords({ kind, words, frame }) {
  return `frame ${frame}: ${kind === "step" ? "step " : ""}${bare(words)}`;
}
