// Makes everything fit, whatever the window's size: the text shrinks, and where it would become
// too small to read, lines are left out, the last first, with a word on how many.

import { put } from "/pages/elements.js";

const SMALLEST = 13; // pixels of 1em
const SMALLEST_FOR_WORDS = 0.75; // of the wanted size: long words may be cut rather than shrink all
const WORDS = ".label, .watch[data-aim='some'] .state, .where, .rate";
const NARROW = 27; // em
const THIN = 16;
const LOW = 150; // pixels of height

// Only where it differs: a class that is set again is a change to those who watch.
function setDropped(item, dropped) {
  if (item.classList.contains("dropped") !== dropped) item.classList.toggle("dropped");
}

function isCut(element) {
  return element.scrollWidth > element.clientWidth + 1;
}

export class Fit {
  // *note* says how many lines were left out; *isWrong* tells whether the page has to complain.
  constructor(stage, note, isWrong) {
    this.stage = stage;
    this.note = note;
    this.isWrong = isWrong;
    this.last = "";
  }

  // Fit again where *signature*, which says all that decides the room that is needed, is another.
  // *items* are the lines, of which the first ones stay longest.
  run(signature, items) {
    if (signature === this.last) return;
    this.last = signature;
    for (const item of items) setDropped(item, false);
    put(this.note, "");
    this.stage.style.minWidth = "";
    const base = this.size(1);
    const least = Math.min(1, SMALLEST / base);
    this.shrink(least);
    if (this.isTall()) this.drop(items);
  }

  // The stage only grows, so that nothing moves when words become shorter.
  hold() {
    const style = this.stage.style;
    const wide = Math.ceil(this.stage.getBoundingClientRect().width);
    if (wide > (parseFloat(style.minWidth) || 0)) style.minWidth = `${wide}px`;
  }

  size(fit) {
    document.body.style.setProperty("--fit", String(fit));
    const pixels = parseFloat(getComputedStyle(document.body).fontSize);
    const shape = innerWidth < NARROW * pixels ? "narrow" : "wide";
    document.body.dataset.shape = innerWidth < THIN * pixels ? `${shape} thin` : shape;
    document.body.style.setProperty("--lines", innerHeight < LOW ? "1" : "5");
    return pixels;
  }

  isTall() {
    return this.stage.getBoundingClientRect().height > this.room() + 0.4;
  }

  room() {
    const style = getComputedStyle(document.body);
    return innerHeight - parseFloat(style.paddingTop) - parseFloat(style.paddingBottom);
  }

  isBad(fit) {
    this.size(fit);
    if (this.isTall() || [...this.stage.querySelectorAll(".value")].some(isCut)) return true;
    return fit > SMALLEST_FOR_WORDS && [...this.stage.querySelectorAll(WORDS)].some(isCut);
  }

  shrink(least) {
    if (!this.isBad(1)) return;
    let [low, high] = [least, 1];
    while (high - low > 0.02) {
      const middle = (low + high) / 2;
      if (this.isBad(middle)) high = middle;
      else low = middle;
    }
    this.size(low);
  }

  drop(items) {
    const shown = items.filter((item) => !item.hidden);
    const keep = (count) => {
      for (const [i, item] of shown.entries()) setDropped(item, i >= count);
      const lost = shown.length - count;
      put(this.note, lost > 0 ? `${lost} more ${lost === 1 ? "does" : "do"} not fit` : "");
    };
    let [low, high] = [0, shown.length];
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      keep(middle);
      if (this.isTall()) high = middle;
      else low = middle;
    }
    keep(low);
    // A value that is cut off is better than none, but not at the cost of what is said to be wrong.
    if (low === 0 && !this.isWrong()) keep(1);
  }
}
