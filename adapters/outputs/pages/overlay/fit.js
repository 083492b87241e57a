// Makes everything fit, whatever the window's size: the text shrinks, and where it would become
// too small to read, lines are left out, the last first.  The room that is reckoned with is that of
// the widest sensible texts, with a hint and a notice, so that nothing shrinks or grows on air when
// a value, a reason, a hint or a notice comes or goes.

const SMALLEST = 13; // pixels of 1em
const SMALLEST_FOR_WORDS = 0.75; // of the wanted size: long words may be cut rather than shrink all
const WORDS = ".label, .watch[data-aim='some'] .state";
const NARROW = 27; // em
const THIN = 16;
const LOW = 150; // pixels of height
const NOTICE = 1.3; // em: its line with the gap

// Too low for a notice beside what is there.
export function isLow() {
  return innerHeight < LOW;
}

// Only where it differs: a class that is set again is a change to those who watch.
function setDropped(item, dropped) {
  if (item.classList.contains("dropped") !== dropped) item.classList.toggle("dropped");
}

function isCut(element) {
  return element.scrollWidth > element.clientWidth + 1;
}

export class Fit {
  constructor(stage) {
    this.stage = stage;
    this.lost = 0; // lines that are left out
    this.last = "";
  }

  // What does not fit, in words.
  get complaint() {
    return this.lost > 0 ? `${this.lost} more ${this.lost === 1 ? "does" : "do"} not fit` : "";
  }

  // Fit again where *signature*, which says all that decides the room that is needed, is another.
  // *items* are the lines, of which the first ones stay longest.
  run(signature, items) {
    if (signature === this.last) return;
    this.last = signature;
    for (const item of items) setDropped(item, false);
    this.lost = 0;
    this.stage.style.minWidth = "";
    this.stage.classList.add("fitting");
    const base = this.size(1);
    const least = Math.min(1, SMALLEST / base);
    this.shrink(least);
    if (this.isTall()) this.drop(items);
    this.stage.classList.remove("fitting");
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
    document.body.dataset.low = isLow() ? "yes" : "no";
    return pixels;
  }

  isTall() {
    return this.stage.getBoundingClientRect().height > this.room() + 0.4;
  }

  // Of the window, with a line for the notice left beside the stage.
  room() {
    const style = getComputedStyle(document.body);
    const notice = isLow() ? 0 : NOTICE * parseFloat(style.fontSize);
    const notices = document.body.dataset.down === "middle" ? 2 * notice : notice;
    return innerHeight - parseFloat(style.paddingTop) - parseFloat(style.paddingBottom) - notices;
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
      this.lost = shown.length - count;
    };
    let [low, high] = [0, shown.length];
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      keep(middle);
      if (this.isTall()) high = middle;
      else low = middle;
    }
    keep(low);
    if (low === 0) keep(1); // a value that is cut off is better than none
  }
}
