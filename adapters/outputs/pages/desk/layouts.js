// The heap against the layouts that the bridge file names: whether each is matched, the first
// difference in words, and both lists side by side.

import { child, mark, put } from "../shared/elements.js";
import { Keyed } from "../shared/keyed.js";

const RUNS = new Set(["any*", "the rest"]);

function blockWords(block) {
  if (block === null) return "";
  const owner = block.owner.replaceAll("_", " ");
  if (block.wildcard && RUNS.has(block.owner)) return `${block.index} ${owner}`;
  const size =
    block.size === null ? ", any size" : `, 0x${block.size.toString(16).toUpperCase()} bytes`;
  return `${block.index} ${owner}${size}`;
}

const SORTS = { same: "", differs: "differs", moved: "moved" };

function sortWords(sort) {
  return SORTS[sort] ?? sort.replaceAll("-", " ");
}

function lineRow() {
  const element = document.createElement("tr");
  const cells = ["expected", "sort", "found"].map((name) => child(element, name, "td"));
  for (const cell of cells) cell.dir = "auto";
  return { element, cells };
}

function tookItem() {
  const element = document.createElement("li");
  element.dir = "auto";
  return { element };
}

class LayoutEntry {
  constructor() {
    this.element = document.createElement("article");
    this.element.className = "layout";
    const head = child(this.element, "layout-title", "h3");
    mark(head);
    this.title = child(head, "name");
    this.title.dir = "auto";
    this.words = child(this.element, "sentence", "p");
    this.words.dir = "auto";
    this.took = new Keyed(child(this.element, "aside layout-took", "ul"), tookItem);
    this.note = child(this.element, "aside", "p");
    this.more = child(this.element, "", "details");
    put(child(this.more, "", "summary"), "Both lists");
    const table = child(this.more, "layout-lines", "table");
    this.caption = child(table, "unseen", "caption");
    const head2 = child(child(table, "", "thead"), "", "tr");
    for (const title of ["expected", "", "found"]) {
      const cell = child(head2, "", title ? "th" : "td");
      if (title) cell.scope = "col";
      put(cell, title);
    }
    this.lines = new Keyed(child(table, "", "tbody"), lineRow);
    this.omitted = child(this.more, "aside", "p");
    this.layout = null;
    this.more.addEventListener("toggle", () => this.list());
  }

  show(layout) {
    this.layout = layout;
    this.element.dataset.mark = layout.matches === null ? "none" : layout.matches ? "hit" : "miss";
    const title = layout.title || layout.name;
    put(this.title, title);
    put(this.caption, `${title}: expected and found`);
    put(this.words, layout.words);
    const { wildcards = [] } = layout;
    this.took.show(wildcards, ({ index }) => index, ({ element }, { words }) => put(element, words));
    put(this.note, layout.note);
    this.list();
  }

  list() {
    if (!this.more.open || this.layout === null) return;
    const { lines, omitted, first } = this.layout;
    let seen = false;
    const key = ({ expected, found }) => `${expected?.index ?? ""} ${found?.index ?? ""}`;
    this.lines.show(lines, key, ({ element, cells: [expected, sort, found] }, line) => {
      put(expected, blockWords(line.expected));
      put(found, blockWords(line.found));
      const differs = line.sort !== "same";
      const isFirst = differs && !seen && first !== null;
      seen ||= differs;
      put(sort, isFirst ? `first: ${sortWords(line.sort)}` : sortWords(line.sort));
      element.dataset.sort = differs ? "other" : "same";
    });
    put(this.omitted, omitted > 0 ? `${omitted} more lines are left out` : "");
  }
}

export class LayoutsPanel {
  constructor(element) {
    this.element = element;
    this.none = child(element, "sentence", "p");
    this.entries = new Keyed(child(element, "", "div"), () => new LayoutEntry());
    this.last = "";
  }

  show(layouts) {
    const fresh = JSON.stringify(layouts);
    if (fresh === this.last) return;
    this.last = fresh;
    put(this.none, layouts.length === 0 ? "no layouts in the bridge file" : "");
    this.none.hidden = layouts.length > 0;
    this.entries.show(layouts, ({ name }) => name, (entry, layout) => entry.show(layout));
  }
}
