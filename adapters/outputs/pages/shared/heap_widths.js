// How wide each block of a heap is drawn: as long as it is, but none too narrow for what is written
// in it, none so long that the others vanish, and a long free end short.  What is drawn shorter than
// it is, is *cut*: it gets a break.

const LARGEST = 0.4; // of all blocks' length; what is longer is cut to that
const GAP = 0x40; // bytes between blocks from which a gap is drawn; headers are shorter
const GAP_WIDTH = 4;

// Numbers of blocks in the order of their addresses.
export function orderOf(blocks) {
  return blocks.map((_, i) => i).sort((one, other) => blocks[one][0] - blocks[other][0]);
}

// [{index, size}] in the order of addresses, *index* -1 for a gap.
export function piecesOf(heap, order) {
  const pieces = [];
  let address = heap.start;
  for (const index of order) {
    const [start, size] = heap.blocks[index];
    if (start - address >= GAP) pieces.push({ index: -1, size: start - address });
    pieces.push({ index, size });
    address = Math.max(address, start + size);
  }
  return pieces;
}

// The scale at which lengths fill *room*, each at least as wide as its *least*.
function scaleFor(lengths, least, room) {
  let [low, high] = [0, room];
  for (let step = 0; step < 50; step++) {
    const scale = (low + high) / 2;
    let sum = 0;
    for (let i = 0; i < lengths.length; i++) sum += Math.max(least[i], scale * lengths[i]);
    if (sum > room) high = scale;
    else low = scale;
  }
  return low;
}

function longestOf(sizes) {
  const total = sizes.reduce((sum, size) => sum + size, 0);
  let [largest, second] = [0, 0];
  for (const size of sizes) [largest, second] = size > largest ? [size, largest] : [largest, Math.max(second, size)];
  const rest = total - largest;
  if (largest <= LARGEST * total || rest === 0) return Infinity;
  // of two that are as long as all else, neither is cut
  return Math.max(second, (rest * LARGEST) / (1 - LARGEST));
}

// [{index, size, width, cut}] for a line of *room* pixels.  *leastOf* gives a block's least width,
// *end* is the width of a free end that is longer.
export function widthsOf(heap, order, room, leastOf, end) {
  const pieces = piecesOf(heap, order);
  const last = pieces.at(-1);
  const tail = last && last.index >= 0 && !heap.blocks[last.index][2] && pieces.length > 1 ? last : null;
  const isGap = ({ index }) => index < 0;
  const body = pieces.filter((piece) => !isGap(piece) && piece !== tail);
  const longest = longestOf(body.map(({ size }) => size));
  const length = (piece) => (isGap(piece) ? 0 : Math.min(piece.size, longest));
  const least = (piece) => (isGap(piece) ? GAP_WIDTH : leastOf(piece.index));
  const fill = (some, room) => scaleFor(some.map(length), some.map(least), room);
  const before = pieces.filter((piece) => piece !== tail);
  let scale = fill(before, room - (tail ? end : 0));
  const isShort = tail !== null && tail.size * scale > end;
  if (tail !== null && !isShort) scale = fill(pieces, room);
  return pieces.map((piece) => {
    const ends = isShort && piece === tail;
    const width = ends ? end : Math.max(least(piece), scale * length(piece));
    return { ...piece, width, cut: ends || (!isGap(piece) && piece.size > longest) };
  });
}
