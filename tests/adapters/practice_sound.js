// A game of which frames come late now and then, and the cue's ticks as they would sound: what an
// OfflineAudioContext renders of all that was put in while the game ran.
//
// *game*: rate (frames a second), late (mean milliseconds that a frame comes after it was, spread as
// an exponential), frames [[number, since]] in their order, one a period; window, set, speaker.
// Gives onsets and when frames truly were, in seconds.
async ({ rate, late, frames, window: framesOfWindow, set, seed = 1, seconds = 4 }) => {
  const { FrameClock } = await import("/pages/practice/frame_clock.js");
  const { cueOf, sameCue, tickTimes } = await import("/pages/practice/cue_plan.js");
  const { Ticks } = await import("/pages/practice/ticks.js");
  const RATE = 48000;
  const offline = new OfflineAudioContext(1, seconds * RATE, RATE);
  let now = 0;
  const context = {
    get currentTime() { return Math.floor((now / 1000) * RATE / 128) * 128 / RATE; }, // as it goes on
    createOscillator: () => offline.createOscillator(),
    createGain: () => offline.createGain(),
    destination: offline.destination,
    resume: async () => {},
  };
  let random = seed;
  const chance = () => (random = (random * 48271) % 2147483647) / 2147483647;
  const came = frames.map(([frame, since], i) => {
    const was = 100 + (i * 1000) / rate;
    return { frame, since, was, at: was - late * Math.log(1 - chance() * 0.98) };
  });
  for (let i = 1; i < came.length; i++) came[i].at = Math.max(came[i].at, came[i - 1].at);
  const clock = new FrameClock();
  const ticks = new Ticks(() => context);
  await ticks.start();
  let [cue, next] = [null, 0];
  for (; now < seconds * 1000 - 100; now += 5) {
    while (next < came.length && came[next].at <= now) {
      const { frame, since, at } = came[next++];
      clock.saw(frame, at, 60);
      const window = since === null ? null : { frames: framesOfWindow, since: since < 0 ? null : since };
      const fresh = cueOf({ frame, practice: { window } });
      if (!sameCue(fresh, cue)) ticks.cancel();
      cue = fresh;
    }
    if (cue === null) continue;
    if (clock.stands(now)) ticks.cancel();
    else ticks.follow(`${cue.moment}`, tickTimes(cue, clock, set), now, set.speaker ?? 0);
  }
  const sound = (await offline.startRendering()).getChannelData(0);
  const onsets = [];
  let quiet = Infinity;
  for (let i = 0; i < sound.length; i++) {
    if (Math.abs(sound[i]) < 0.01) { quiet++; continue; }
    if (quiet > 0.02 * RATE) onsets.push(i / RATE);
    quiet = 0;
  }
  return { onsets, was: came.map(({ frame, was }) => [frame, was / 1000]), period: clock.period };
}
