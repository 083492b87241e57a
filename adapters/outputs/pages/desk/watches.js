// All watches: grouped, searched, and walked through by the arrow keys.

import { child, put } from "../shared/elements.js";
import { WarnedOnce, numberOf } from "../shared/warned_once.js";
import { colours, whenColoursChange } from "../shared/colours.js";
import { Entry } from "./entry.js";
import { Notes } from "./notes.js";
import { tenthOf } from "./trace.js";

const UNGROUPED = "without a group";

export class Watches {
  // *choose* is called with a reading when the user picks it.
  constructor(groups, search, found, nothing, notes, choose) {
    this.groups = groups;
    this.notes = new Notes(notes);
    this.warned = new WarnedOnce();
    this.search = search;
    this.found = found;
    this.nothing = nothing;
    this.choose = choose;
    this.entries = [];
    this.known = new Map(); // the same with those that are not shown now: their plots go on
    this.order = []; // the same, as they stand in their groups
    this.chosen = "";
    this.signature = null;
    this.byButton = new WeakMap();
    this.plotted = true; // plots are of the live game: beside a past moment there are none
    this.seen = new IntersectionObserver((changes) => {
      for (const change of changes) {
        const entry = this.byButton.get(change.target);
        if (!entry) continue;
        entry.visible = change.isIntersecting;
        entry.drawn = -1;
      }
    }, { rootMargin: "100px" });
    search.addEventListener("input", () => this.filter());
    search.addEventListener("keydown", (event) => this.searchKey(event));
    groups.addEventListener("keydown", (event) => this.walk(event));
    groups.addEventListener("focusin", (event) => this.rove(event.target.closest(".entry")));
    groups.addEventListener("click", (event) => {
      const entry = this.byButton.get(event.target.closest(".entry") ?? groups);
      if (!entry) return;
      this.rove(entry.button); // not every browser gives a button the focus when it is pressed
      this.choose(entry.reading);
    });
    whenColoursChange(() => this.redraw());
    addEventListener("resize", () => this.redraw());
  }

  redraw() {
    for (const entry of this.entries) entry.drawn = -1;
    this.draw(performance.now());
  }

  // A live snapshot has come; the plots go on also where it is not shown.
  note(readings, now) {
    if (this.plotted) this.take(readings);
    const tenth = tenthOf(now);
    for (const reading of readings) this.known.get(reading.watch)?.note(reading, tenth);
  }

  // Whether live readings are shown, with their plots.
  follow(live) {
    if (live === this.plotted) return;
    this.plotted = live;
    for (const entry of this.entries) entry.drawn = -1;
    this.filter();
  }

  // What is to be painted next.
  take(readings) {
    const signature = readings.map(({ watch, group }) => `${watch}\n${group ?? ""}`).join("\n\n");
    if (signature !== this.signature) {
      this.signature = signature;
      this.arrange(readings);
    }
    for (const [i, entry] of this.entries.entries()) entry.reading = readings[i];
  }

  arrange(readings) {
    for (const entry of this.entries) this.seen.unobserve(entry.button);
    const held = document.activeElement?.closest?.(".entry")?.dataset.watch;
    this.entries = readings.map((reading) => this.known.get(reading.watch) ?? new Entry(reading));
    // what the live game has no more is known no more
    if (this.plotted) this.known.clear();
    for (const entry of this.entries) this.known.set(entry.name, entry);
    const lists = new Map();
    for (const [i, entry] of this.entries.entries()) {
      entry.reading = readings[i];
      this.byButton.set(entry.button, entry);
      const group = readings[i].group ?? "";
      if (!lists.has(group)) lists.set(group, []);
      lists.get(group).push(entry);
    }
    const alone = lists.size === 1 && lists.has("");
    const parts = [...lists].map(([group, entries], number) =>
      this.group(group, entries, alone, number));
    this.groups.replaceChildren(...parts);
    this.order = [...lists.values()].flat();
    for (const entry of this.entries) this.seen.observe(entry.button);
    for (const entry of this.entries) entry.paint(0, true);
    this.rove(this.entryOf(held)?.button ?? this.entryOf(this.chosen)?.button ?? null);
    if (held) this.entryOf(held)?.button.focus();
    this.filter();
  }

  group(group, entries, alone, number) {
    const section = document.createElement("section");
    section.className = "group";
    const list = document.createElement("ul");
    if (!alone) {
      const heading = child(section, "group-title", "h3");
      heading.id = `group-${number}`;
      heading.dir = "auto";
      put(heading, group || UNGROUPED);
      list.setAttribute("aria-labelledby", heading.id);
    } else {
      list.setAttribute("aria-labelledby", "log-title");
    }
    list.setAttribute("role", "list");
    list.append(...entries.map((entry) => entry.element));
    section.append(list);
    return section;
  }

  entryOf(name) {
    return this.entries.find((entry) => entry.name === name);
  }

  shown() {
    return this.order.filter((entry) => !entry.element.hidden);
  }

  // Every word of the search must be somewhere in label, name, expression or group.
  filter() {
    const words = this.search.value.toLocaleLowerCase().split(/\s+/).filter(Boolean);
    for (const entry of this.entries) {
      entry.learn();
      entry.element.hidden = !words.every((word) => entry.hay.includes(word));
    }
    for (const section of this.groups.children) {
      section.hidden = [...section.querySelectorAll("li")].every((item) => item.hidden);
    }
    const shown = this.shown();
    const total = this.entries.length;
    put(this.found, words.length > 0 ? `${shown.length} of ${total}` : total > 0 ? `${total} watch${total === 1 ? "" : "es"}${this.plotted ? ", plots of 30 s" : ""}` : "");
    this.nothing.hidden = shown.length > 0;
    put(this.nothing, total === 0 ? "there are no watches" : "no watch has these words");
    if (!shown.some((entry) => entry.button.tabIndex === 0)) this.rove(shown[0]?.button ?? null);
  }

  // One watch at a time is in the order of Tab.
  rove(button) {
    if (button === null) {
      button = this.shown()[0]?.button ?? null;
      if (button === null) return;
    }
    for (const entry of this.entries) {
      const index = entry.button === button ? 0 : -1;
      if (entry.button.tabIndex !== index) entry.button.tabIndex = index;
    }
  }

  searchKey(event) {
    if (event.key === "Escape" && this.search.value !== "") {
      this.search.value = "";
      this.filter();
      event.preventDefault();
    } else if (event.key === "ArrowDown" || event.key === "Enter") {
      this.shown()[0]?.button.focus();
      event.preventDefault();
    }
  }

  walk(event) {
    if (event.altKey || event.ctrlKey || event.metaKey) return;
    const shown = this.shown();
    const at = shown.findIndex((entry) => entry.button === document.activeElement);
    if (at < 0) return;
    const ways = {
      ArrowDown: at + 1, ArrowUp: at - 1, Home: 0, End: shown.length - 1,
      PageDown: at + 8, PageUp: at - 8,
    };
    if (event.key === "Escape") {
      this.search.focus();
    } else if (event.key in ways) {
      const to = ways[event.key];
      if (event.key === "ArrowUp" && at === 0) this.search.focus();
      else shown[Math.max(0, Math.min(shown.length - 1, to))].button.focus();
    } else {
      return;
    }
    event.preventDefault();
  }

  mark(name) {
    this.chosen = name;
    for (const entry of this.entries) {
      if (entry.name === name) entry.button.setAttribute("aria-current", "true");
      else entry.button.removeAttribute("aria-current");
    }
  }

  paint(seconds, pace) {
    const notes = this.warned.of(this.entries.map(({ reading }) => reading));
    const numbers = numberOf(notes);
    const outcomes = this.entries.map((entry) =>
      entry.paint(seconds, pace.allowed, numbers.get(entry.name) ?? 0));
    this.notes.show(notes, pace.allowed);
    return {
      changed: outcomes.some((outcome) => outcome.changed),
      pending: outcomes.some((outcome) => outcome.pending),
    };
  }

  draw(now, linked = true) {
    const tenth = tenthOf(now);
    const inks = colours();
    for (const { trace } of this.known.values()) {
      if (linked) trace.hold(tenth);
      else trace.note(NaN, tenth);
    }
    if (this.plotted) for (const entry of this.entries) entry.draw(tenth, inks);
  }
}
