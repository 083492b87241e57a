// The cue: the bar, the ticks and what is set of them.

import { put } from "../shared/elements.js";
import { CueBar } from "./cue_bar.js";
import { cueOf, cueWords, sameCue, tickTimes } from "./cue_plan.js";
import { CueSettings } from "./cue_settings.js";
import { FrameClock } from "./frame_clock.js";
import { NOT_YET, NO_SOUND, Ticks } from "./ticks.js";

const WORDS_PAUSE = 1000 / 15; // milliseconds: their letters are large, but they are few
const PATIENCE = 1000; // milliseconds until it is told that sound is not allowed yet
const LOOK = 25; // milliseconds from one look at what is to be put in to the next

const calm = matchMedia("(prefers-reduced-motion: reduce)");

export class Cue {
  constructor({ place, bar, words, button, told, settings, dialog }) {
    this.told = told; // what became of what was asked for
    this.place = place;
    this.words = words;
    this.button = button;
    this.bar = new CueBar(bar);
    this.clock = new FrameClock();
    this.ticks = new Ticks();
    this.cue = null; // the one that is under way
    this.window = null; // of the current step
    this.looks = 0;
    this.draws = false;
    this.said = -Infinity; // when words were last written
    this.settings = new CueSettings(settings, dialog, this.ticks, (set) => this.ticks.loud(set.volume));
    this.ticks.volume = this.settings.set.volume;
    button.addEventListener("click", () => this.turn());
    this.name([]);
  }

  name(keys) {
    this.keys = keys;
    this.button.setAttribute("aria-pressed", String(this.ticks.on));
    put(this.button, this.ticks.on ? "Ticks on" : "Ticks off");
    for (const key of keys) {
      const mark = document.createElement("kbd");
      put(mark, key);
      this.button.append(" ", mark);
    }
  }

  // Ticks on or off.  Browsers let a page sound only behind a click or a key.
  async turn() {
    clearInterval(this.looks);
    if (this.ticks.on) {
      await this.ticks.stop();
      this.name(this.keys);
      return;
    }
    const started = this.ticks.start();
    const { context } = this.ticks;
    this.looks = setInterval(() => this.look(), LOOK);
    this.name(this.keys);
    const late = setTimeout(() => this.ticks.context === context && put(this.told, NOT_YET), PATIENCE);
    try {
      await started;
    } catch {
      if (this.ticks.context !== context) return; // it was turned off meanwhile
      put(this.told, NO_SOUND);
      clearInterval(this.looks);
      await this.ticks.stop();
      this.name(this.keys);
    }
    clearTimeout(late);
  }

  // A snapshot came.
  saw(snapshot, at) {
    this.clock.saw(snapshot.frame, at, snapshot.health?.rate ?? 0);
    const cue = cueOf(snapshot);
    if (!sameCue(cue, this.cue) && !this.settings.test.runs) this.ticks.cancel();
    this.cue = cue;
    this.window = snapshot.practice?.window ?? null;
    this.look();
    this.draw();
  }

  // Nothing is known any more of what comes.
  lost() {
    this.cue = null;
    this.ticks.cancel();
  }

  look() {
    const now = performance.now();
    if (this.cue === null || !this.clock.known || this.settings.test.runs) return;
    if (this.clock.stands(now)) {
      this.ticks.cancel();
      return;
    }
    const { cue, settings: { set } } = this;
    this.ticks.follow(`${cue.moment} ${cue.first}`, tickTimes(cue, this.clock, set), now, set.speaker);
  }

  // The float goes with every picture while a cue is under way.
  draw() {
    if (this.draws) return;
    this.draws = true;
    requestAnimationFrame(() => {
      this.draws = false;
      if (this.move() && !this.clock.stands(performance.now())) this.draw();
    });
  }

  // Nothing goes along a bar that is still another step's.  The words say where the float is.
  move(now = performance.now()) {
    if (this.window === null || !this.bar.shows(this.window.frames)) {
      this.bar.move(null);
      return false;
    }
    const { cue, window: { frames } } = this;
    // the picture that is seen is older: what it shows must be ahead
    const ahead = this.clock.period > 0 ? this.settings.set.screen / this.clock.period : 0;
    const at = cue === null ? null : this.clock.frameAt(now) + ahead - cue.moment;
    this.bar.move(at, calm.matches);
    this.say(frames, at === null ? null : Math.floor(at), now);
    return cue !== null && at < this.bar.length;
  }

  // A number goes on 15 times a second; that the window has come, or is over, is told at once.
  say(frames, since, now) {
    const words = cueWords(frames, since);
    const kind = (text) => text.replace(/\d+/g, "");
    if (now - this.said < WORDS_PAUSE && kind(words) === kind(this.words.textContent)) return;
    if (put(this.words, words)) this.said = now;
  }

  // What the page's pace allows: the words, and whether there is a bar at all.
  show() {
    if (this.window === null) {
      // its room stays, so that nothing moves
      this.place.toggleAttribute("data-idle", true);
      put(this.words, "");
      return;
    }
    this.place.toggleAttribute("data-idle", false);
    this.bar.lay(this.window.frames, this.clock.period, this.settings.set);
    this.move();
  }
}
