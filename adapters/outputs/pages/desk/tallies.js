// How often each value was seen: a bar, its count and its share.

import { child, put } from "../shared/elements.js";
import { Keyed } from "../shared/keyed.js";

const MOST_VALUES = 24;

function tallyRow() {
  const element = document.createElement("article");
  element.className = "tally";
  const title = child(element, "tally-title", "h3");
  title.dir = "ltr";
  const about = child(element, "aside", "p");
  const list = child(element, "values", "ul");
  list.setAttribute("role", "list");
  const rest = child(element, "aside", "p");
  return { element, title, about, values: new Keyed(list, valueRow), rest };
}

function valueRow() {
  const element = document.createElement("li");
  const name = child(element, "name");
  name.dir = "auto";
  const bar = child(element, "bar");
  bar.setAttribute("aria-hidden", "true");
  return { element, name, bar, count: child(element, "count"), share: child(element, "share") };
}

function share(part) {
  return `${(part * 100).toFixed(1)} %`;
}

export class TalliesPanel {
  constructor(element) {
    this.element = element;
    this.none = child(element, "sentence", "p");
    this.tallies = new Keyed(child(element, "tallies", "div"), tallyRow);
    this.last = "";
  }

  show(found) {
    const tallies = found?.tallies ?? [];
    const fresh = JSON.stringify(tallies);
    if (fresh === this.last) return;
    this.last = fresh;
    put(this.none, tallies.length === 0 ? "no tally in the bridge file" : "");
    this.none.hidden = tallies.length > 0;
    this.tallies.show(
      tallies,
      ({ expression, build }) => `${expression}\n${build}`,
      (parts, tally) => this.fill(parts, tally),
    );
  }

  fill({ title, about, values: rows, rest }, { expression, build, moments, values }) {
    put(title, expression);
    put(about, `${moments} moment${moments === 1 ? "" : "s"}${build ? `, build ${build}` : ""}`);
    const shown = values.slice(0, MOST_VALUES);
    const most = Math.max(...shown.map((value) => value.share), 0);
    rows.show(shown, ({ value, text }) => JSON.stringify([value, text]), (row, value) => {
      put(row.name, value.text);
      row.bar.style.setProperty("--share", (most > 0 ? value.share / most : 0).toFixed(4));
      put(row.count, String(value.count));
      put(row.share, share(value.share));
    });
    const left = values.length - shown.length;
    put(rest, left > 0 ? `${left} more values` : "");
  }
}
