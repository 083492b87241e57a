// Text in a box that keeps its place: letters become smaller where it would not fit.

const LEAST = 0.2; // of the size that the style sheet wants

export class Fitted {
  // *box* has a size of its own; the style sheet multiplies its letters with --fit.
  constructor(box) {
    this.box = box;
    this.last = "";
    this.share = 1;
  }

  set(share) {
    this.share = share;
    this.box.style.setProperty("--fit", share.toFixed(3));
  }

  isFull() {
    return [this.box, ...this.box.children].some((each) => (
      each.scrollHeight > this.box.clientHeight + 1 || each.scrollWidth > each.clientWidth + 1
    ));
  }

  // Fit anew where *signature*, which says what decides the size, is another; else only shrink.
  fit(signature) {
    const whole = `${signature}\n${innerWidth} ${innerHeight}`;
    if (whole !== this.last) {
      this.last = whole;
      this.set(1);
    }
    if (!this.isFull()) return;
    let [low, high] = [LEAST, this.share];
    while (high - low > 0.01) {
      const middle = (low + high) / 2;
      this.set(middle);
      if (this.isFull()) high = middle;
      else low = middle;
    }
    this.set(low);
  }
}
