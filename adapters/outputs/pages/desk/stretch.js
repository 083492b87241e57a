// Where on a long line each block of the heap lies.  Widths are in proportion to bytes, but for a
// block that would take more than two parts in five of the line: it is cut to that, and is drawn
// with a break, so that the others can still be told.

const LARGEST = 0.4;

export class Stretch {
  // *order* has the blocks' numbers by address.
  constructor(heap, order) {
    this.order = order;
    const total = Math.max(1, heap.end - heap.start);
    const largest = heap.blocks.reduce((most, [, size]) => Math.max(most, size), 0);
    const rest = total - largest;
    const cut = largest > LARGEST * total && rest > 0;
    this.longest = cut ? (rest * LARGEST) / (1 - LARGEST) : Infinity;
    this.from = new Float64Array(heap.blocks.length); // by block number
    this.widths = new Float64Array(heap.blocks.length);
    let [at, address] = [0, heap.start];
    for (const index of order) {
      const [start, size] = heap.blocks[index];
      at += Math.min(Math.max(0, start - address), this.longest);
      this.from[index] = at;
      this.widths[index] = Math.min(size, this.longest);
      at += this.widths[index];
      address = Math.max(address, start + size);
    }
    this.length = Math.max(1, at + Math.min(Math.max(0, heap.end - address), this.longest));
    this.sizes = heap.blocks.map(([, size]) => size);
  }

  isCut(index) {
    return this.sizes[index] > this.longest;
  }

  // Where in a block its byte *within* is.
  place(index, within) {
    const share = this.sizes[index] > 0 ? Math.min(within, this.sizes[index] - 1) / this.sizes[index] : 0;
    return this.from[index] + share * this.widths[index];
  }

  // The number of the block at a place; -1 between blocks.
  at(place) {
    let [low, high] = [0, this.order.length - 1];
    while (low <= high) {
      const middle = (low + high) >> 1;
      if (this.from[this.order[middle]] <= place) low = middle + 1;
      else high = middle - 1;
    }
    if (high < 0) return -1;
    const index = this.order[high];
    return place < this.from[index] + this.widths[index] ? index : -1;
  }
}
