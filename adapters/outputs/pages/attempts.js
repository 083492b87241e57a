// What attempts gave so far: the rate with its interval as a line, the streak, the last outcome.

import { child, put } from "/pages/elements.js";
import { outcomeWords, percent } from "/pages/words.js";

function rateWords({ attempts, successes, rate }) {
  if (rate === null) return "no attempt has ended yet";
  return `${successes} of ${attempts} attempts, ${percent(rate)}`;
}

function streakWords(streak) {
  return streak > 1 ? `${streak} in a row` : "";
}

export class Attempts {
  constructor(element) {
    this.element = element;
    this.rate = child(element, "rate");
    this.line = child(element, "chances");
    this.line.setAttribute("aria-hidden", "true");
    child(this.line, "track");
    child(this.line, "range");
    child(this.line, "point");
    this.streak = child(element, "streak");
    this.past = child(element, "past");
    this.last = "";
  }

  show(practice, asked, allowed) {
    const none = !practice || practice.attempts === undefined;
    const texts = none
      ? ["no attempts in the bridge file", "", ""]
      : [
          rateWords(practice),
          streakWords(practice.streak),
          practice.last ? `last ${outcomeWords(practice.last)}` : "",
        ];
    const [low, high] = none || practice.rate === null ? [null, null] : practice.interval;
    const fresh = [...texts, low, high].join("\n");
    if (fresh === this.last) return { changed: false, pending: false };
    if (!allowed && this.last !== "") return { changed: false, pending: true };
    this.last = fresh;
    this.element.hidden = none && !asked;
    put(this.rate, texts[0]);
    put(this.streak, texts[1]);
    put(this.past, texts[2]);
    this.line.hidden = low === null;
    if (low !== null) {
      this.line.style.setProperty("--low", low.toFixed(4));
      this.line.style.setProperty("--high", high.toFixed(4));
      this.line.style.setProperty("--rate", practice.rate.toFixed(4));
    }
    return { changed: true, pending: false };
  }
}
