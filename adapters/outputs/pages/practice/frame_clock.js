// When the game's frames are, by when they came: a line through the newest of them.
//
// Each frame that came says that it was then, or a little before: what carries it takes its time.
// The line's slope, the time from one frame to the next, is fitted over two seconds by least
// squares, so that it does not shake; where it lies, by the median of the newest few.  A game that
// stood still, was read anew or goes at another pace begins a new line, with the slope that was known
// until there are enough frames for another.

const KEPT = 2000; // milliseconds
const FEWEST = 20; // frames that make a better slope than the one that is known
const FIRST = 8; // and than the one that was only told of
const NEWEST = 12; // frames that say where the line lies
const OFF = 1.5; // frames beside the line, of which
const OFTEN = 3; // so many in a row are no accident
const LEAP = 120; // frames: more than that is another place of the game's counter
const LEAD = 0.99; // of the usual way to the next: a frame that did not come is not told of

export function median(numbers) {
  const sorted = [...numbers].sort((a, b) => a - b);
  const half = sorted.length >> 1;
  return sorted.length % 2 ? sorted[half] : (sorted[half - 1] + sorted[half]) / 2;
}

export class FrameClock {
  constructor() {
    this.seen = []; // [frame, milliseconds]
    this.period = 0; // milliseconds from one frame to the next, 0 while it is not known
    this.start = 0; // when frame 0 would have been
    this.fitted = false; // whether the slope is that of the frames seen
    this.own = false; // whether it ever was
    this.off = 0; // frames in a row that were beside the line
    this.strides = []; // frames from one that came to the next
  }

  // *frame* came *at*; *rate* is what the source says of frames a second, 0 where it says nothing.
  saw(frame, at, rate = 0) {
    if (frame === null) return;
    const last = this.seen.at(-1);
    if (last && frame === last[0]) return; // shown again
    if (last && (frame < last[0] || frame - last[0] > LEAP)) this.forget();
    if (this.period === 0 && rate > 0) this.period = 1000 / rate;
    const isOff = this.fitted && Math.abs(at - this.timeOf(frame)) > OFF * this.period;
    if (isOff && this.stands(at)) this.forget();
    this.off = isOff ? this.off + 1 : 0;
    if (this.seen.length > 0) this.strides = [...this.strides.slice(1 - NEWEST), frame - last[0]];
    this.seen.push([frame, at]);
    if (this.off >= OFTEN) {
      this.seen = this.seen.slice(-OFTEN);
      this.fitted = false;
    }
    while (this.seen.length > 2 && at - this.seen[0][1] > KEPT) this.seen.shift();
    this.fit();
  }

  forget() {
    this.seen = [];
    this.off = 0;
    this.fitted = false;
  }

  get known() {
    return this.seen.length > 0 && this.period > 0;
  }

  fit() {
    const { seen } = this;
    if (seen.length >= (this.own ? FEWEST : FIRST)) {
      const [frame, time] = [0, 1].map((i) => seen.reduce((sum, each) => sum + each[i], 0) / seen.length);
      let [both, square] = [0, 0];
      for (const [number, at] of seen) {
        both += (number - frame) * (at - time);
        square += (number - frame) ** 2;
      }
      if (both > 0) this.period = both / square;
      this.fitted = this.own = true;
    }
    if (this.period === 0) return;
    this.start = median(seen.slice(-NEWEST).map(([number, at]) => at - number * this.period));
  }

  // When *frame* was or will be.
  timeOf(frame) {
    return this.start + frame * this.period;
  }

  // The usual way between two frames that come.
  get stride() {
    return this.strides.length > 0 ? median(this.strides) : 1;
  }

  // Where the game is, in frames and parts of them: where frames stop coming, it stops.
  frameAt(now) {
    if (this.seen.length === 0) return null;
    const [newest] = this.seen.at(-1);
    if (this.period === 0) return newest;
    const most = newest + LEAD * this.stride;
    return Math.min(Math.max((now - this.start) / this.period, newest - 1), most);
  }

  // Whether frames stopped coming.
  stands(now) {
    if (!this.known) return true;
    return now - this.seen.at(-1)[1] > Math.max(50, 3 * this.stride * this.period);
  }
}
