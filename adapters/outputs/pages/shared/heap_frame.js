// The heap may come later than the frame beside it: it is walked for a page, not for a watch.  What
// a pointer leads to is only known where both are of one frame.

const PATIENCE = 1000; // milliseconds after which a heap of another frame is better than an old pair

export class HeapFrame {
  constructor() {
    this.together = -Infinity; // when both were last of one frame
  }

  // "same" where *heap* is of the snapshot's frame; else "wait" for a while, then "other".
  of(heap, frame, now) {
    if (!heap || heap.frame === undefined || heap.frame === frame) {
      this.together = now;
      return "same";
    }
    return now - this.together < PATIENCE ? "wait" : "other";
  }
}
