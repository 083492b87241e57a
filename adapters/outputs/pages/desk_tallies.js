// How often each value was seen: a bar, its count and its share.

import { child, put } from "/pages/elements.js";

const MOST_VALUES = 24;

function share(part) {
  return `${(part * 100).toFixed(1)} %`;
}

export class TalliesPanel {
  constructor(element) {
    this.element = element;
    this.none = child(element, "sentence", "p");
    this.place = child(element, "tallies", "div");
    this.shape = "";
    this.last = "";
  }

  show(found) {
    const tallies = found?.tallies ?? [];
    const fresh = JSON.stringify(tallies);
    if (fresh === this.last) return;
    this.last = fresh;
    put(this.none, tallies.length === 0 ? "no tally in the bridge file" : "");
    this.none.hidden = tallies.length > 0;
    while (this.place.children.length > tallies.length) this.place.lastChild.remove();
    while (this.place.children.length < tallies.length) {
      const tally = child(this.place, "tally", "article");
      child(tally, "tally-title", "h3").dir = "ltr";
      child(tally, "aside", "p");
      child(tally, "values", "ul").setAttribute("role", "list");
      child(tally, "aside", "p");
    }
    for (const [i, tally] of tallies.entries()) this.fill(this.place.children[i], tally);
  }

  fill(element, { expression, build, moments, values }) {
    const [title, about, list, rest] = element.children;
    put(title, expression);
    put(about, `${moments} moment${moments === 1 ? "" : "s"}${build ? `, build ${build}` : ""}`);
    const shown = values.slice(0, MOST_VALUES);
    while (list.children.length > shown.length) list.lastChild.remove();
    while (list.children.length < shown.length) {
      const item = child(list, "", "li");
      child(item, "name").dir = "auto";
      child(item, "bar").setAttribute("aria-hidden", "true");
      child(item, "count");
      child(item, "share");
    }
    const most = Math.max(...shown.map((value) => value.share), 0);
    for (const [i, value] of shown.entries()) {
      const [name, bar, count, part] = list.children[i].children;
      put(name, value.text);
      bar.style.setProperty("--share", (most > 0 ? value.share / most : 0).toFixed(4));
      put(count, String(value.count));
      put(part, share(value.share));
    }
    const left = values.length - shown.length;
    put(rest, left > 0 ? `${left} more values` : "");
  }
}
