// Ticks: short tones made by the page itself, each put in at its time ahead of it.

export const NO_SOUND = "the browser gives this page no sound";
export const NOT_YET = "the browser lets this page sound only behind a click or a key";

const AHEAD = 150; // milliseconds before it in which a tick is put in
const MOVED = 3; // milliseconds by which a better reckoning moves one that is put in
const MISSED = 8; // milliseconds after which a tick would come too late to be true
const AGAIN = 1000; // milliseconds from one plea for sound to the next
const ATTACK = 0.001; // seconds
const LENGTH = 0.045;
const PITCH = 880; // Hz
const LAST_PITCH = 1318.5;

// One tone at *time* of *context*; the last one is higher.  Gives what ends it before.
export function tone(context, into, time, isLast = false) {
  const sound = context.createOscillator();
  const shape = context.createGain();
  sound.frequency.value = isLast ? LAST_PITCH : PITCH;
  shape.gain.setValueAtTime(0, time);
  shape.gain.linearRampToValueAtTime(1, time + ATTACK);
  shape.gain.exponentialRampToValueAtTime(0.001, time + LENGTH);
  sound.connect(shape).connect(into);
  sound.start(time);
  sound.stop(time + LENGTH);
  return () => {
    shape.disconnect();
    sound.stop();
  };
}

export class Ticks {
  // *make* gives a context of sound: browsers only let it sound behind something that the user did.
  constructor(make = () => new AudioContext()) {
    this.make = make;
    this.context = null;
    this.volume = 0.5;
    this.cue = "";
    this.asked = -Infinity; // when sound was last asked for
    this.put = new Map(); // by its place from the end: {at, end}
  }

  get on() {
    return this.context !== null;
  }

  async start() {
    if (this.on) return;
    this.context = this.make();
    this.out = this.context.createGain();
    this.out.connect(this.context.destination);
    this.loud(this.volume);
    this.asked = performance.now();
    await this.context.resume();
  }

  async stop() {
    this.cancel();
    const { context } = this;
    this.context = null;
    await context?.close();
  }

  loud(volume) {
    this.volume = volume;
    if (this.on) this.out.gain.value = volume;
  }

  // Put in those of *times* (milliseconds, as *now* is) that are near; *delay* is how long the sound
  // takes until it is heard.  Those of another *cue* are taken back.
  follow(cue, times, now, delay) {
    if (!this.on) return;
    if (cue !== this.cue) this.cancel();
    if (!this.wakes(now)) return;
    this.cue = cue;
    for (const [i, time] of times.entries()) {
      const left = time - delay - now;
      const from = times.length - 1 - i; // the last one stays the last, however many there are
      const before = this.put.get(from);
      if (left > AHEAD || left < -MISSED) continue;
      const at = this.context.currentTime + Math.max(0, left) / 1000;
      if (before !== undefined) {
        if (left < 0 || before.at <= this.context.currentTime) continue; // it sounds already
        if (Math.abs(before.at - at) * 1000 < MOVED) continue;
        before.end();
      }
      this.put.set(from, { at, end: tone(this.context, this.out, at, from === 0) });
    }
  }

  // Whether sound goes on.  Before the user did something it does not, nor behind a telephone's sleep:
  // then its time stands still, and nothing can be put in.
  wakes(now) {
    if (this.context.state !== "suspended") return true;
    if (now - this.asked >= AGAIN) {
      this.asked = now;
      this.context.resume();
    }
    return false;
  }

  // Nothing more is heard of what is put in.
  cancel() {
    for (const { at, end } of this.put.values()) if (this.on && at + LENGTH > this.context.currentTime) end();
    this.put.clear();
    this.cue = "";
  }
}
