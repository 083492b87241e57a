// Which block of the heap each pointer watch points to.

// The block that holds an address: by binary search over *order*, block numbers by start.
function holding(blocks, order, address) {
  let [low, high] = [0, order.length - 1];
  while (low <= high) {
    const middle = (low + high) >> 1;
    if (blocks[order[middle]][0] <= address) low = middle + 1;
    else high = middle - 1;
  }
  if (high < 0) return -1;
  const [start, size] = blocks[order[high]];
  return address < start + size ? order[high] : -1;
}

// [{watch, label, index, within}] for watches whose value is an address in a block, and for those
// that say themselves which block is meant; *within* is the place in the block in bytes or null.
export function pinsOf(heap, order, readings) {
  const pins = [];
  for (const { watch, label, value, pointer } of readings) {
    if (!pointer || typeof value !== "number") continue;
    const index = holding(heap.blocks, order, value);
    if (index >= 0) pins.push({ watch, label, index, within: value - heap.blocks[index][0] });
  }
  for (const { watch, label, index } of heap.held) {
    if (index < heap.blocks.length) pins.push({ watch, label, index, within: null });
  }
  return pins;
}
