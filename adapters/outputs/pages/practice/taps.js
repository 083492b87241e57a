// What taps along with a beat tell: how much later than the beat it is heard or seen.

import { median } from "./frame_clock.js";

const WARMING = 3; // the first taps still look for the beat (common practice, no source)
const FEWEST = 8;
const NORMAL = 1.4826; // by which a median deviation becomes a standard deviation, of a normal spread
const FAR = 3; // standard deviations
const EVEN = 10; // milliseconds: who taps as evenly as that still has no outliers within it

// How far *at* is from the nearest beat, negative before it.
export function offBeat(at, start, period) {
  const off = (((at - start) % period) + period) % period;
  return off > period / 2 ? off - period : off;
}

// {offset, spread, used, dropped} of *taps* in milliseconds, null while they are too few: the median
// of those that are no outliers, and their standard deviation.
export function tapResult(taps, start, period) {
  const offs = taps.slice(WARMING).map((at) => offBeat(at, start, period));
  if (offs.length < FEWEST) return null;
  const middle = median(offs);
  const limit = FAR * Math.max(EVEN, NORMAL * median(offs.map((off) => Math.abs(off - middle))));
  const good = offs.filter((off) => Math.abs(off - middle) <= limit);
  const offset = median(good);
  const mean = good.reduce((sum, off) => sum + off, 0) / good.length;
  const spread = Math.sqrt(good.reduce((sum, off) => sum + (off - mean) ** 2, 0) / (good.length - 1));
  return { offset, spread, used: good.length, dropped: offs.length - good.length };
}
