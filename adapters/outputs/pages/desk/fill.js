// Which panels, in their order, stand in which column, so that no column is left half empty.

export const HALF = 0.5; // of a column's room

const UNDER = 0.25; // of the room may rather stay empty than that *begins* stands under another
const SCROLLED = 0.05; // as bad as what is empty

// Cuts [from, …] of *heights* into *count* columns, of which each is some of them in a row: where
// least room stays empty, and then where what has to be scrolled is shared out best.  *begins* is
// the one that had better begin a column; -1 where none had.
export function shared(heights, count, room, begins = -1) {
  let best = null;
  const tries = (cuts, from) => {
    if (cuts.length === count) {
      const under = begins >= 0 && !cuts.includes(begins) ? UNDER * room : 0;
      const costs = cost(heights, cuts, room) + under * under;
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
    return all + empty * empty + SCROLLED * over * over;
  }, 0);
}

// Whether each column is at least half full.
export function isFull(heights, cuts, room) {
  return sums(heights, cuts).every((sum) => sum >= HALF * room);
}
