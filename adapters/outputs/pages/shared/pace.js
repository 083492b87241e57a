// How often the picture may change.  WCAG 2.2, success criterion 2.3.1, allows three flashes in
// any second; a page over a stream stays below it whatever the game does.

const TEXT_PAUSE = 1000 / 15;
// Letters as large as this fill so much of a glance that their own changes could be flashes:
// five changes are two and a half pairs.
const LARGE_TEXT = 44;
const LARGE_TEXT_PAUSE = 1000 / 5;
const EMPHASIS_PAUSE = 550;

// Calls paint({now, allowed, calm}) in an animation frame, at most 15 times a second.  paint
// returns whether it changed emphasis and whether it left changes for later.  *textSize* gives the
// letters' size in pixels.
export function pacer(paint, textSize = () => 0) {
  const reduced = matchMedia("(prefers-reduced-motion: reduce)");
  let asked = false;
  let painted = -Infinity;
  let emphasised = -Infinity;

  function frame(now) {
    if (now - painted < (textSize() >= LARGE_TEXT ? LARGE_TEXT_PAUSE : TEXT_PAUSE)) {
      requestAnimationFrame(frame);
      return;
    }
    asked = false;
    painted = now;
    const calm = reduced.matches;
    const pause = calm ? 2 * EMPHASIS_PAUSE : EMPHASIS_PAUSE;
    const allowed = now - emphasised >= pause;
    const { changed, pending } = paint({ now: performance.now(), allowed, calm });
    if (changed) emphasised = now;
    if (pending) ask();
  }

  function ask() {
    if (asked) return;
    asked = true;
    requestAnimationFrame(frame);
  }

  return ask;
}
