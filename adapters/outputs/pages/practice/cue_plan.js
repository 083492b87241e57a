// What a cue counts towards: the first frame of the current step's window.

// The window of a snapshot's step in the game's own frames; null where it has none, or where its
// moment is yet to come.
export function cueOf({ frame, practice }) {
  const window = practice?.window;
  if (!window || (window.since ?? null) === null || (frame ?? null) === null) return null;
  const [first, last] = window.frames;
  const moment = frame - window.since;
  return { moment, first: moment + first, last: moment + last };
}

// Whether both count towards the same frame.
export function sameCue(one, other) {
  return one?.moment === other?.moment && one?.first === other?.first;
}

// When the ticks are, in milliseconds: the last with the window's first frame, the others *apart*
// before it, as many of *count* as there is room for behind the moment.  *clock* tells when frames
// are.
export function tickTimes(cue, clock, { count, apart }) {
  const end = clock.timeOf(cue.first);
  const moment = clock.timeOf(cue.moment);
  const times = Array.from({ length: count }, (_, i) => end - (count - 1 - i) * apart);
  return times.filter((time, i) => i === count - 1 || time >= moment);
}

// The same as shares of a bar that is *length* frames long and begins with the moment.
export function tickPlaces([first], period, { count, apart }, length) {
  const places = Array.from({ length: count }, (_, i) => first - ((count - 1 - i) * apart) / period);
  return places.filter((place, i) => i === count - 1 || place >= 0).map((place) => place / length);
}

// How many frames a bar shows: the window, and room behind it to be late in.
export function barLength([first, last]) {
  return last + 1 + Math.max(6, last - first, Math.ceil(last / 8));
}

// The frames to the window and behind it in words; *since* is null before the moment.
export function cueWords([first, last], since) {
  if (since === null) return `${first} to ${last}`;
  if (since < first) return `in ${first - since}`;
  if (since <= last) return "now";
  return `${since - last} late`;
}
