// A list whose elements stay with what they show: when the list moves, each element moves with its
// own item.  Marks that fade, what is opened and what has the focus thus never pass to another.

export class Keyed {
  // *make* gives a new item's parts, of which *element* is put into *parent*.
  constructor(parent, make) {
    this.parent = parent;
    this.make = make;
    this.parts = new Map();
  }

  // Show *items* in their order.  *keyOf* says which item it is; of items with the same key the
  // first ones are taken to be those that came first before.  *fill* writes an item into its parts.
  show(items, keyOf, fill) {
    const seen = new Map();
    const shown = new Map();
    const wanted = items.map((item) => {
      const key = String(keyOf(item));
      const count = (seen.get(key) ?? 0) + 1;
      seen.set(key, count);
      const name = JSON.stringify([key, count]);
      const parts = this.parts.get(name) ?? this.make(item);
      shown.set(name, parts);
      return parts;
    });
    for (const [name, { element }] of this.parts) {
      if (!shown.has(name)) element.remove();
    }
    this.parts = shown;
    // what is where it should be is not touched: to move an element ends its fades and its focus
    let next = null;
    for (let i = wanted.length - 1; i >= 0; i--) {
      const { element } = wanted[i];
      if (element.parentNode !== this.parent || element.nextSibling !== next) {
        this.parent.insertBefore(element, next);
      }
      next = element;
    }
    for (const [i, item] of items.entries()) fill(wanted[i], item, i);
  }
}
