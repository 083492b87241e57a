// How often the picture may change.  WCAG 2.2, success criterion 2.3.1, allows three flashes in
// any second; a page over a stream stays below it whatever the game does.

const TEXT_PAUSE = 1000 / 15;
const EMPHASIS_PAUSE = 550;

// Calls paint(now, emphasisAllowed) in an animation frame, at most 15 times a second.  paint
// returns whether it changed emphasis and whether it left changes for later.
export function pacer(paint) {
  const calm = matchMedia("(prefers-reduced-motion: reduce)");
  let asked = false;
  let painted = -Infinity;
  let emphasised = -Infinity;

  function frame(now) {
    if (now - painted < TEXT_PAUSE) {
      requestAnimationFrame(frame);
      return;
    }
    asked = false;
    painted = now;
    const pause = calm.matches ? 2 * EMPHASIS_PAUSE : EMPHASIS_PAUSE;
    const { changed, pending } = paint(performance.now(), now - emphasised >= pause);
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
