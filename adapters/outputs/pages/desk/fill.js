// Which panels, in their order, stand in which column, so that no column is left half empty.

export const HALF = 0.5; // of a column's room

// Cuts [from, …] of *heights* into *count* columns, of which each is some of them in a row: where
// least room stays empty, and then where what has to be scrolled is shared out best.
export function shared(heights, count, room) {
  let best = null;
  const tries = (cuts, from) => {
    if (cuts.length === count) {
      const costs = cost(heights, cuts, room);
      if (best === null || costs < best.costs) best = { cuts: [...cuts], costs };
      return;
    }
    for (let at = from; at <= heights.length - (count - cuts.length); at++) tries([...cuts, at], at + 1);
  };
  tries([0], 1);
  return best?.cuts ?? null;
}

export function sums(heights, cuts) {
  return cuts.map((from, i) => {
    const column = heights.slice(from, cuts[i + 1] ?? heights.length);
    return column.reduce((sum, height) => sum + height, 0);
  });
}

function cost(heights, cuts, room) {
  return sums(heights, cuts).reduce((all, sum) => {
    const [empty, over] = [Math.max(0, room - sum), Math.max(0, sum - room)];
    return all + empty * empty + 0.05 * over * over;
  }, 0);
}

// Whether each column is at least half full.
export function isFull(heights, cuts, room) {
  return sums(heights, cuts).every((sum) => sum >= HALF * room);
}
