// What attempts gave so far: the rate with its interval as a line, the streak, the last outcome.

import { Chances } from "../shared/chances.js";
import { child, put } from "../shared/elements.js";
import { lastTimingWords, missedWords, rateWords } from "../shared/practice_words.js";
import { outcomeWords } from "../shared/words.js";

function streakWords(streak) {
  return streak > 1 ? `${streak} in a row` : "";
}

function lastWords(last) {
  const words = [`last ${outcomeWords(last)}`, lastTimingWords(last), missedWords(last)];
  return words.filter(Boolean).join(", ");
}

export class Attempts {
  constructor(element) {
    this.element = element;
    this.rate = child(element, "rate");
    this.chances = new Chances(element);
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
          practice.last ? lastWords(practice.last) : "",
        ];
    const rate = none ? null : practice.rate;
    const fresh = [...texts, ...(rate === null ? [] : practice.interval)].join("\n");
    if (fresh === this.last) return { changed: false, pending: false };
    if (!allowed && this.last !== "") return { changed: false, pending: true };
    this.last = fresh;
    this.element.hidden = none && !asked;
    this.element.dataset.empty = none ? "yes" : "no";
    put(this.rate, texts[0]);
    put(this.streak, texts[1]);
    put(this.past, texts[2]);
    this.chances.show(rate, practice?.interval);
    return { changed: true, pending: false };
  }
}
