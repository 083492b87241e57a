// The keys of a slider by the WAI-ARIA Authoring Practices (w3.org/WAI/ARIA/apg/patterns/slider): a
// frame, a second, or to either end.

// By how many frames a key moves; null where it is none of these.
function moved(event, second) {
  if (event.ctrlKey || event.altKey || event.metaKey) return null;
  const ways = {
    ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1,
    PageDown: -second, PageUp: second, Home: -Infinity, End: Infinity,
  };
  return ways[event.key] ?? null;
}

// *second* gives a second in frames; *by* is called with frames.
export function onSliderKeys(slider, second, by) {
  slider.addEventListener("keydown", (event) => {
    const frames = moved(event, second());
    if (frames === null) return;
    event.preventDefault();
    by(frames);
  });
}
