// The marks of a past as a list, a page of it at a time, for those who would not see them drawn.

import { child, headed, label, put } from "../shared/elements.js";
import { Keyed } from "../shared/keyed.js";
import { PageTurner } from "./page_turner.js";
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
    const table = child(element, "mark-table", "table");
    put(child(table, "unseen", "caption"), "marks of what is looked at, in their order");
    this.rows = new Keyed(headed(table, ["frame", "time", "kind", "what"]), () => this.row(go));
    this.pages = new PageTurner(child(element, "mark-pages", "p"), "marks", PAGE, () => this.fill());
    this.timeline = null;
    this.kind.addEventListener("change", () => this.pages.turn(0));
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
    const { first, some } = this.pages.shown(all);
    const rest = more ? ", and more heap events" : "";
    put(this.pages.where, some.length ? `${first + 1} to ${first + some.length} of ${all.length}${rest}` : "none");
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
