// What became of the heap's blocks: the newest events, the newest first.  The list moves once a
// second at most, and stands still while somebody reads in it.

import { child, headed, put } from "../shared/elements.js";
import { Keyed } from "../shared/keyed.js";
import { hexadecimal } from "./blocks.js";

const PAUSE = 1000; // milliseconds
const SIGNS = { allocated: "+", released: "−", reused: "±", moved: "→" };
const HEADS = ["frame", "what happened", "block", "address", "bytes"];

// Rows are [number, frame, event, words, block, start, size], and the heap's name where it has one;
// what lies between events has the number 0 and ends with its words.
function keyOf([number, , , words]) {
  return number || words;
}

function makeRow([number]) {
  const element = document.createElement("tr");
  if (!number) {
    const cell = child(element, "between", "td");
    cell.colSpan = HEADS.length;
    return { element, cells: [cell] };
  }
  const frame = child(element, "number", "th");
  frame.scope = "row";
  const said = child(element, "said", "td");
  const sign = child(said, "sign");
  sign.setAttribute("aria-hidden", "true");
  const words = child(said, "");
  words.dir = "auto";
  const rest = ["", "", ""].map(() => child(element, "number", "td"));
  return { element, sign, cells: [frame, words, ...rest] };
}

function fillRow({ sign, cells }, [number, frame, event, words, block, start, size, heap]) {
  if (!number) {
    put(cells[0], words);
    return;
  }
  put(sign, SIGNS[event]);
  const place = heap ? `${heap} ${block}` : block;
  for (const [i, text] of [frame, words, place, hexadecimal(start), hexadecimal(size)].entries()) {
    put(cells[i], String(text));
  }
}

function sentence({ count, numbered, told }) {
  const listed = told.filter(([number]) => number).length;
  const begun = told.length > 0 ? ` since frame ${told.at(-1)[1]}` : "";
  const some = `${count} event${count === 1 ? "" : "s"}${count > listed ? `, the newest ${listed} listed` : ""}`;
  const unnumbered = numbered ? "" : "; the game does not count its frames: what came and went between two looks is not told";
  return (count > 0 ? some : `nothing allocated, nothing released${begun}`) + unnumbered;
}

export class EventsPanel {
  constructor(element) {
    const line = child(element, "pages", "p");
    this.said = child(line, "sentence");
    this.hold = child(line, "plain", "button");
    this.hold.type = "button";
    this.hold.setAttribute("aria-pressed", "false");
    put(this.hold, "Hold the list");
    this.waiting = child(line, "aside");
    this.box = child(element, "happened", "div");
    this.box.tabIndex = 0; // so that the keyboard can scroll it
    this.box.setAttribute("role", "region");
    this.box.setAttribute("aria-label", "heap events, the newest first");
    const table = child(this.box, "told", "table");
    this.rows = new Keyed(headed(table, HEADS), makeRow);
    this.newest = null;
    this.shown = null;
    this.painted = -Infinity;
    this.hold.addEventListener("click", () => {
      const held = this.hold.getAttribute("aria-pressed") !== "true";
      this.hold.setAttribute("aria-pressed", String(held));
      if (!held) this.letGo();
    });
  }

  // The newest again, at once: whoever lets go asks for it.
  letGo() {
    this.box.scrollTop = 0;
    this.fill(performance.now());
  }

  // Whether somebody reads, and why the list stands still.
  reading() {
    if (this.hold.getAttribute("aria-pressed") === "true") return "held";
    const selection = document.getSelection();
    if (!selection.isCollapsed && this.box.contains(selection.anchorNode)) return "held while text is selected";
    if (this.box.scrollTop > 2) return "held while it is scrolled";
    if (this.box.matches(":focus-within")) return "held while it has the focus";
    return this.box.matches(":hover") ? "held while the pointer is on it" : "";
  }

  // *whole* is whether the page shows another moment now, with all that stands in it.
  show(snapshot, allowed, whole) {
    const events = snapshot.heap_events ?? null;
    this.newest = events;
    if (events === null) {
      const first = this.shown !== null || this.said.textContent === "";
      this.shown = null;
      this.hold.hidden = this.box.hidden = true;
      put(this.waiting, "");
      put(this.said, "no heap events: the schema describes no heap, or none was read yet");
      return { changed: first, pending: false };
    }
    if (whole) {
      if (this.shown !== events) this.fill(performance.now());
      return { changed: false, pending: false };
    }
    const same = this.shown?.changes === events.changes;
    const held = this.shown === null ? "" : this.reading();
    const newer = this.shown === null ? 0 : events.count - this.shown.count;
    put(this.waiting, held && newer > 0 ? `${held}: ${newer} newer` : held);
    if (same || held) return { changed: false, pending: false };
    const now = performance.now();
    if (this.shown !== null) {
      if (now - this.painted < PAUSE) return { changed: false, pending: false }; // a picture comes soon
      if (!allowed) return { changed: false, pending: true };
    }
    this.fill(now);
    return { changed: true, pending: false };
  }

  fill(now) {
    const events = this.newest;
    if (events === null) return;
    this.shown = events;
    this.painted = now;
    this.hold.hidden = this.box.hidden = events.told.length === 0;
    put(this.waiting, "");
    put(this.said, sentence(events));
    this.rows.show([...events.told].reverse(), keyOf, fillRow);
  }
}
