// The desk's panels: each can be folded, hidden and moved, and the browser remembers it.  A section
// with a heading that comes into one of the columns later is a panel as well.

import { keep, kept } from "../shared/memory.js";
import { Columns } from "./columns.js";

const NAME = "panels";
const SEEN = 60; // pixels of a panel, from which it is in view

function remembered() {
  const names = (list) => (Array.isArray(list) ? list.filter((each) => typeof each === "string") : []);
  let found = null;
  try {
    found = JSON.parse(kept(NAME) ?? "null");
  } catch {
    // what stands there is not ours
  }
  return { order: names(found?.order), folded: new Set(names(found?.folded)), away: new Set(names(found?.away)) };
}

function title(panel) {
  return panel.querySelector("h2").textContent;
}

export class Panels {
  // *tell* is called with what has changed, in words; what *changed* is to be set calls it, too.
  constructor(desk, tell) {
    this.tell = tell;
    this.changed = () => {};
    this.all = []; // in the order that they have at first
    Object.assign(this, remembered());
    this.columns = new Columns(desk, () => this.inOrder());
    this.adopt(desk);
    const newcomers = new MutationObserver(() => this.adopt(desk));
    for (const each of [desk, ...this.columns.columns]) newcomers.observe(each, { childList: true });
    addEventListener("hashchange", () => this.follow());
    this.columns.arrange(true);
  }

  // The panels, also hidden ones, in the person's order.
  inOrder() {
    const known = new Map(this.all.map((panel) => [panel.id, panel]));
    const order = this.order.filter((id) => known.has(id));
    for (const [i, { id }] of this.all.entries()) {
      // one that has no place yet stands behind the one that it is behind at first
      if (!order.includes(id)) order.splice(i === 0 ? 0 : order.indexOf(this.all[i - 1].id) + 1, 0, id);
    }
    return order.map((id) => known.get(id));
  }

  adopt(desk) {
    const sections = [...desk.querySelectorAll(":scope > section, :scope > .column > section")];
    const fresh = sections.filter((each) => each.id && each.querySelector("h2") && !this.all.includes(each));
    for (const panel of fresh) {
      const behind = sections[sections.indexOf(panel) - 1];
      this.all.splice(this.all.indexOf(behind) + 1, 0, panel);
      this.make(panel);
    }
    if (fresh.length === 0) return;
    this.columns.arrange(true);
    this.changed();
  }

  make(panel) {
    const heading = panel.querySelector("h2");
    panel.classList.add("panel");
    [...panel.children].find((each) => each.contains(heading)).classList.add("panel-head");
    const button = document.createElement("button");
    button.type = "button";
    button.className = "fold";
    button.append(...heading.childNodes);
    heading.append(button);
    button.addEventListener("click", () => this.fold(panel, !this.folded.has(panel.id)));
    button.addEventListener("keydown", (event) => {
      const by = { ArrowUp: -1, ArrowDown: 1 }[event.key];
      if (!event.altKey || by === undefined) return;
      event.preventDefault();
      this.shift(panel, by);
    });
    this.mark(panel);
  }

  mark(panel) {
    const folded = this.folded.has(panel.id);
    panel.dataset.folded = folded ? "yes" : "no";
    panel.dataset.away = this.away.has(panel.id) ? "yes" : "no";
    panel.querySelector(".fold").setAttribute("aria-expanded", String(!folded));
  }

  fold(panel, folded) {
    this.turn(this.folded, panel, folded);
    this.settled(`${title(panel)} is ${folded ? "folded" : "open"}`);
  }

  hide(panel, away) {
    this.turn(this.away, panel, away);
    this.settled(`${title(panel)} is ${away ? "hidden" : "shown"}`);
  }

  turn(names, panel, on) {
    if (on) names.add(panel.id);
    else names.delete(panel.id);
    this.mark(panel);
  }

  // Up or down past the next panel that is shown.
  shift(panel, by) {
    const panels = this.inOrder();
    const at = panels.indexOf(panel);
    let to = at + by;
    while (panels[to]?.hidden) to += by;
    if (to < 0 || to >= panels.length) return;
    panels.splice(to, 0, ...panels.splice(at, 1));
    this.order = panels.map(({ id }) => id);
    this.settled(`${title(panel)} is panel ${to + 1} of ${panels.length}`, true);
  }

  // As the desk is for somebody who has changed nothing.
  restore() {
    this.order = [];
    this.folded.clear();
    this.away.clear();
    for (const panel of this.all) this.mark(panel);
    this.settled("all panels are as at first", true);
  }

  // To the panel that the page's address names.
  follow() {
    const panel = this.all.find(({ id }) => id === location.hash.slice(1));
    if (!panel) return;
    this.reveal(panel);
    panel.scrollIntoView();
  }

  // What is jumped to is there, and open.
  reveal(element) {
    const panel = element?.closest(".panel");
    if (!panel || !(this.folded.has(panel.id) || this.away.has(panel.id))) return;
    this.turn(this.folded, panel, false);
    this.turn(this.away, panel, false);
    this.settled(`${title(panel)} is shown`);
  }

  // Whether the head of a panel is in the part of its column that is in view.
  isSeen(panel) {
    const { top } = panel.getBoundingClientRect();
    const from = panel.parentNode.getBoundingClientRect().top;
    return top >= Math.max(0, from) && top < innerHeight - SEEN;
  }

  settled(words, anew = false) {
    const { order, folded, away } = this;
    keep(NAME, JSON.stringify({ order, folded: [...folded], away: [...away] }));
    this.columns.note(true); // what was folded needs its room no more
    this.columns.arrange(anew);
    this.tell(words);
    this.changed();
  }
}
