// Panels flow through one, two or three columns, as many as the window is wide enough for and the
// panels fill.  They move when the person moves, folds or hides one, or when a column would be left
// half empty, and then only while nobody is at work on the page.

import { HALF, isFull, shared, sums } from "./fill.js";

const BESIDE = "working";
const WIDTHS = [56, 94]; // em, from which there is room for two columns and for three
const LOOK = 1000; // milliseconds from look to look
const CALM = 3000; // so long nobody has touched anything, before panels move by themselves
const KEPT = 30000; // so long a panel counts as high as it was: what comes and goes moves nothing
const NOTABLE = 0.25; // of a column's room; less is no reason to move anything

function move(parent, element, next) {
  if (element.parentNode === parent && element.nextElementSibling === next) return;
  // keeps focus and what is scrolled, where the browser can
  if (parent.moveBefore) parent.moveBefore(element, next);
  else parent.insertBefore(element, next);
}

export class Columns {
  // *panels* gives all panels in their order.
  constructor(desk, panels) {
    this.desk = desk;
    this.panels = panels;
    this.columns = [...desk.children];
    this.heights = new Map(); // by panel: {height, at}, the most of the last seconds
    this.chosenBy = new Map(); // by panel: the height by which it was given its column
    this.touched = -Infinity;
    this.began = Infinity; // when there was a first frame
    for (const kind of ["pointerdown", "keydown", "wheel", "click", "input"]) {
      addEventListener(kind, () => (this.touched = performance.now()), { capture: true, passive: true });
    }
    addEventListener("resize", () => this.arrange());
    setInterval(() => this.look(), LOOK);
  }

  // How many columns the window is wide enough for.
  get most() {
    return 1 + WIDTHS.filter((width) => matchMedia(`(min-width: ${width}em)`).matches).length;
  }

  get count() {
    return Number(this.desk.dataset.columns ?? 0);
  }

  // The height that a column has without being scrolled.
  get room() {
    const inner = getComputedStyle(this.columns[0]).overflowY === "auto";
    return inner ? this.columns[0].clientHeight : innerHeight;
  }

  set(count) {
    this.desk.dataset.columns = String(count);
    for (const [i, column] of this.columns.entries()) column.hidden = i >= count;
  }

  // Heights at *count* columns, with the room of what was there a moment ago.
  measured(panels, count) {
    const now = panels.map((panel) => panel.offsetHeight);
    const gone = panels.map((panel, i) => Math.max(0, (this.heights.get(panel)?.height ?? 0) - now[i]));
    this.set(count);
    return panels.map((panel, i) => panel.offsetHeight + gone[i]);
  }

  // Give each panel its column: *anew* where the order is another, else as they stand where that
  // leaves none half empty.
  arrange(anew = false) {
    const panels = this.panels();
    if (panels.length === 0) return;
    const { most } = this;
    if (!anew && this.count === most && this.isGood(panels)) return;
    let [count, cuts, heights] = [Math.min(most, panels.length), null, []];
    for (; count > 0; count--) {
      heights = this.measured(panels, count);
      // what is chosen among the watches is best told beside them
      cuts = shared(heights, count, this.room, panels.findIndex(({ id }) => id === BESIDE));
      if (count === 1 || isFull(heights, cuts, this.room)) break;
    }
    this.chosenBy = new Map(panels.map((panel, i) => [panel, heights[i]]));
    this.put(panels, cuts);
  }

  // With what there is now, whatever there was before; what is read beside the first frame comes in
  // the next seconds.
  begin() {
    this.began = performance.now();
    this.note(true);
    this.arrange(true);
  }

  put(panels, cuts) {
    const held = document.activeElement;
    for (const [i, column] of this.columns.entries()) {
      const mine = i < cuts.length ? panels.slice(cuts[i], cuts[i + 1] ?? panels.length) : [];
      let next = null;
      for (const panel of mine.reverse()) {
        move(column, panel, next);
        next = panel;
      }
    }
    if (held !== document.activeElement && held !== document.body) held?.focus({ preventScroll: true });
  }

  // Whether the panels stand in their order, and no column is half empty.
  isGood(panels) {
    const standing = this.columns.flatMap((column) => [...column.children].filter((each) => panels.includes(each)));
    if (standing.length !== panels.length || standing.some((panel, i) => panel !== panels[i])) return false;
    const cuts = [];
    for (const [i, panel] of panels.entries()) {
      if (i === 0 || panel.parentNode !== panels[i - 1].parentNode) cuts.push(i);
    }
    return cuts.length === this.count && isFull(panels.map((panel) => this.height(panel)), cuts, this.room);
  }

  height(panel) {
    return Math.max(panel.offsetHeight, this.heights.get(panel)?.height ?? 0);
  }

  // Of the heights that there are now; *all* forgets those that there were.
  note(all = false) {
    const now = performance.now();
    for (const panel of this.panels()) {
      const height = panel.offsetHeight;
      const known = all ? undefined : this.heights.get(panel);
      if (known && height < known.height && now - known.at < KEPT) continue;
      this.heights.set(panel, { height, at: now });
    }
  }

  // Once in a while: where a column has become half empty, or the panels notably higher than when
  // they were given their columns, they may be given others.
  look() {
    if (document.hidden) return;
    this.note(performance.now() - this.began < CALM);
    if (performance.now() - this.touched < CALM) return;
    const panels = this.panels();
    const heights = panels.map((panel) => this.height(panel));
    const change = panels.reduce((all, panel, i) => all + Math.abs(heights[i] - (this.chosenBy.get(panel) ?? 0)), 0);
    const notable = change >= NOTABLE * this.room;
    const [total] = sums(heights, [0]);
    const enough = this.count < this.most && total >= (this.count + 1) * HALF * this.room;
    // a single column is as full as it can be
    const half = this.count > 1 && !this.isGood(panels);
    if (half || (notable && enough)) this.arrange(true);
    else if (notable) this.chosenBy = new Map(panels.map((panel, i) => [panel, heights[i]]));
  }
}
