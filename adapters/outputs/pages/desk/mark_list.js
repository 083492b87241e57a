// The marks of a past as a list, a page of it at a time, for those who would not see them drawn.

import { child, label, put } from "../shared/elements.js";
import { Keyed } from "../shared/keyed.js";
import { MARKS, bare, clockWords, secondsAt } from "./past_words.js";

const PAGE = 12;

export class MarkList {
  // *go* is called with a mark.
  constructor(element, go) {
    this.element = element;
    const line = child(element, "mark-pages", "p");
    const label = child(line, "", "label");
    label.htmlFor = "mark-kind";
    put(label, "kind");
    this.kind = child(line, "", "select");
    this.kind.id = "mark-kind";
    for (const [kind, words] of [["", "all"], ...Object.entries(MARKS)]) {
      const option = child(this.kind, "", "option");
      option.value = kind;
      put(option, words);
    }
    this.table = child(element, "mark-table", "table");
    put(child(this.table, "unseen", "caption"), "marks of what is looked at, in their order");
    const head = child(child(this.table, "", "thead"), "", "tr");
    for (const title of ["frame", "time", "kind", "what"]) {
      const cell = child(head, "", "th");
      cell.scope = "col";
      put(cell, title);
    }
    this.rows = new Keyed(child(this.table, "", "tbody"), () => this.row(go));
    const pages = child(element, "mark-pages", "p");
    this.back = this.button(pages, "Earlier marks", -1);
    this.where = child(pages, "aside");
    this.where.setAttribute("role", "status");
    this.on = this.button(pages, "Later marks", 1);
    this.page = 0;
    this.timeline = null;
    this.kind.addEventListener("change", () => this.turn(0));
    element.addEventListener("toggle", () => this.fill());
  }

  row(go) {
    const element = document.createElement("tr");
    const button = child(child(element, "", "td"), "plain", "button");
    button.type = "button";
    const parts = { element, button, mark: null };
    button.addEventListener("click", () => go(parts.mark));
    [parts.time, parts.kind, parts.words] = ["number", "owner", "owner"].map((name) => child(element, name, "td"));
    parts.words.dir = "auto";
    return parts;
  }

  button(line, text, step) {
    const button = child(line, "plain", "button");
    button.type = "button";
    put(button, text);
    button.addEventListener("click", () => this.turn(this.page + step));
    return button;
  }

  turn(page) {
    this.page = page;
    this.fill();
  }

  show(timeline) {
    if (timeline === this.timeline) return;
    this.timeline = timeline;
    this.element.hidden = (timeline?.marks.length ?? 0) === 0;
    this.fill();
  }

  fill() {
    if (!this.element.open || this.timeline === null) return;
    const { marks, more_heap: more } = this.timeline;
    const kind = this.kind.value;
    const all = marks.map((mark, i) => ({ mark, i })).filter(({ mark }) => !kind || mark.kind === kind);
    const pages = Math.max(1, Math.ceil(all.length / PAGE));
    this.page = Math.max(0, Math.min(pages - 1, this.page));
    this.back.setAttribute("aria-disabled", String(this.page === 0));
    this.on.setAttribute("aria-disabled", String(this.page === pages - 1));
    const first = this.page * PAGE;
    const some = all.slice(first, first + PAGE);
    const rest = more ? ", and more heap events" : "";
    put(this.where, some.length ? `${first + 1} to ${first + some.length} of ${all.length}${rest}` : "none");
    this.rows.show(some, ({ i }) => i, (row, { mark }) => {
      row.mark = mark;
      put(row.button, String(mark.frame));
      label(row.button, `go to frame ${mark.frame}`);
      put(row.time, clockWords(secondsAt(this.timeline, mark.place)));
      put(row.kind, MARKS[mark.kind] ?? mark.kind);
      put(row.words, bare(mark.words));
    });
  }
}
