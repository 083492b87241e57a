// The timeline: which past, where in it, what is marked there, and how to go to another moment.

import { child, label, put } from "../shared/elements.js";
import { printable } from "../shared/printable.js";
import { Combobox } from "./combobox.js";
import { colours, whenColoursChange } from "../shared/colours.js";
import { MarkList } from "./mark_list.js";
import { LINES, Marks } from "./marks.js";
import { clockWords, endOf, markWords, pastTitle, placeWords } from "./past_words.js";
import { fillOptions } from "./select_options.js";
import { onSliderKeys } from "./slider_keys.js";
import { wellFormed } from "./toml.js";
import { tooLong } from "./working.js";
import { WrongText } from "./wrong_text.js";

// Of the rolling recording, what was opened stands beside what it would be now.
function optionWords(past, open) {
  const words = pastTitle(past);
  return past.kind === "rolling" && open.kind === "rolling" && past.id !== open.id ? `${words}, from now` : words;
}

// [letter, what, kind of mark]; with Shift, back
const WAYS = [
  ["a", "attempt", "attempt"],
  ["o", "outcome", "outcome"],
  ["s", "step", "step"],
  ["h", "heap event", "heap"],
  ["g", "gap", "gap"],
  ["r", "reset", "reset"],
];
const NAMES = { gap: "frame", attempt: "attempt", step: "step", heap: "heap event" }; // of lines

export class Timeline {
  // *choose* is called with the past that the user picks.
  constructor(element, looking, names, choose) {
    this.element = element;
    this.looking = looking;
    this.pasts = [];
    const of = (id) => element.querySelector(`#${id}`);
    this.select = of("past");
    this.beside = of("to-beside");
    [this.which, this.coming, this.live] = ["which", "coming", "goes-on"].map((name) => child(of("looking"), name));
    this.note = of("looking-note");
    this.words = of("mark-words");
    this.words.setAttribute("role", "status");
    this.wrong = new WrongText(of("turned-fault"));
    this.list = new MarkList(of("mark-list"), (mark) => this.go(mark));
    this.pointed = null; // the mark under the pointer
    this.build(of("lanes"), names);
    this.select.addEventListener("change", () => {
      const past = this.pasts.find(({ id }) => id === this.select.value);
      if (past) choose(past);
    });
    whenColoursChange(() => this.draw());
    new ResizeObserver(() => this.draw()).observe(this.canvas);
  }

  build(lanes, names) {
    this.canvas = child(lanes, "marks", "canvas");
    this.canvas.setAttribute("aria-hidden", "true"); // the list says the same
    this.marks = new Marks(this.canvas);
    this.lanes = lanes;
    this.heads = new Map(); // of lines
    for (const line of LINES) {
      const [kind] = line.kinds;
      const run = kind === "gap"
        ? (back) => this.looking.by(back ? -1 : 1)
        : (back) => this.leap(back, { kind });
      this.heads.set(line, this.head(lanes, NAMES[kind], run));
    }
    this.slider = child(lanes, "scrubber", "input");
    Object.assign(this.slider, { type: "range", id: "scrubber", min: "0", step: "1" });
    this.slider.setAttribute("aria-label", "moment");
    this.slider.setAttribute("aria-describedby", "looking");
    this.slider.addEventListener("input", () => this.looking.to(Number(this.slider.value)));
    onSliderKeys(this.slider, () => this.looking.second, (frames) => this.looking.by(frames));
    this.turnedHead = this.head(lanes, "turned true", (back) => this.leap(back, { expr: this.turned.value }));
    const box = child(lanes, "box turned", "div");
    this.turned = child(box, "", "input");
    Object.assign(this.turned, { id: "turned", type: "text", autocomplete: "off", spellcheck: false, dir: "ltr" });
    const offers = child(box, "offers", "ul");
    Object.assign(offers, { id: "turned-offers", hidden: true });
    offers.dataset.option = "turned-offer";
    offers.setAttribute("role", "listbox");
    offers.setAttribute("aria-label", "names");
    const said = {
      role: "combobox", "aria-autocomplete": "list", "aria-expanded": "false", "aria-controls": "turned-offers",
      "aria-describedby": "turned-fault", "aria-label": "expression that turned true", autocapitalize: "off",
    };
    for (const [name, value] of Object.entries(said)) this.turned.setAttribute(name, value);
    this.turned.placeholder = "an expression; Enter: on, Shift + Enter: back";
    new Combobox(this.turned, offers, names, (text, now, back) => {
      if (now) this.leap(back, { expr: text });
      else this.looking.forget();
    });
    this.canvas.addEventListener("pointermove", (event) => {
      this.pointed = this.marks.near(event.offsetX, event.offsetY);
      this.tell();
    });
    this.canvas.addEventListener("pointerleave", () => {
      this.pointed = null;
      this.tell();
    });
    this.canvas.addEventListener("click", ({ offsetX: x, offsetY: y }) => {
      const mark = this.marks.near(x, y);
      if (mark) this.go(mark);
      else this.looking.to(this.marks.placeAt(x));
    });
  }

  // A line's name between the ways back and on.
  head(parent, what, run) {
    const head = child(parent, "lane", "div");
    head.setAttribute("role", "group");
    label(head, what);
    const button = (text, words, back) => {
      const made = child(head, "plain", "button");
      made.type = "button";
      put(made, text);
      label(made, words);
      made.title = printable(words);
      made.addEventListener("click", () => run(back));
    };
    button("←", `previous ${what}`, true);
    put(child(head, "what"), what);
    button("→", `next ${what}`, false);
    return head;
  }

  keys() {
    const open = (run) => (back) => this.looking.isOpen && run(back);
    return [
      ["f F", "looking back: a frame on, a frame back", open((back) => this.looking.by(back ? -1 : 1))],
      ...WAYS.map(([letter, what, kind]) => [
        `${letter} ${letter.toUpperCase()}`,
        `looking back: next ${what}, the one before`,
        open((back) => this.leap(back, { kind })),
      ]),
      ["e E", "looking back: where the expression turns true next, or did before", open((back) => this.turnedKey(back))],
    ];
  }

  turnedKey(back) {
    if (this.turned.value.trim() === "") this.turned.focus();
    else this.leap(back, { expr: this.turned.value });
  }

  leap(back, { kind = "", expr = "" }) {
    const text = wellFormed(expr.trim());
    if (kind === "" && text === "") return;
    const error = tooLong(text);
    if (error === null) this.looking.jump(back ? "previous" : "next", { kind, expr: text });
    else this.looking.said = { text: "", error: { ...error, text } };
    this.looking.ready();
  }

  go({ place }) {
    this.looking.to(place);
  }

  focus() {
    if (this.element.hidden) {
      // what was said of an earlier moment is not said again
      for (const part of [this.which, this.coming, this.live, this.note, this.words]) put(part, "");
      this.element.hidden = false;
    }
    this.slider.focus();
  }

  offer(pasts) {
    const fresh = JSON.stringify(pasts);
    if (fresh === this.offered) return;
    this.offered = fresh;
    this.pasts = pasts;
    this.beside.hidden = pasts.length < 2;
    this.chosen();
  }

  chosen() {
    const { past } = this.looking;
    if (past === null) return;
    // what is looked at may have gone from the list, and is there all the same
    const isListed = this.pasts.some(({ id }) => id === past.id);
    fillOptions(this.select, (isListed ? this.pasts : [past, ...this.pasts]).map((each) => [each.id, optionWords(each, past)]));
    this.select.value = past.id;
    this.beside.href = `/beside?a=${encodeURIComponent(past.id)}`;
  }

  // *moment* is what the page shows, null for live; *live* is the newest live snapshot.
  paint(moment, live) {
    const { looking } = this;
    // it goes with the moment, not before
    this.element.hidden = !looking.isOpen && moment === null;
    if (!looking.isOpen) return;
    this.chosen();
    const { timeline, wanted } = looking;
    const known = timeline !== null && timeline.count > 0;
    this.slider.max = String(known ? timeline.count - 1 : 0);
    if (known && wanted !== null) {
      this.slider.value = String(wanted);
      this.slider.setAttribute("aria-valuetext", printable(this.valueText(moment)));
    }
    put(this.which, this.whichWords(moment));
    put(this.coming, this.comingWords(moment));
    put(this.live, live === null || live.frame === null ? "" : `Live goes on: frame ${live.frame}.`);
    put(this.note, this.noteWords(moment));
    this.wrong.show(looking.said.error, looking.said.error?.text ?? "");
    this.turned.setAttribute("aria-invalid", String(looking.said.error !== null));
    this.list.show(timeline);
    this.moment = moment;
    this.tell();
    this.draw();
  }

  isHere(moment) {
    return moment !== null && moment.past === this.looking.past;
  }

  whichWords(moment) {
    if (moment === null) return "What stands below is still live.";
    const { frame, seconds } = moment.snapshot;
    const left = Math.max(0, endOf(moment.timeline) - seconds).toFixed(1);
    const where = `${clockWords(seconds)} after the beginning and ${left} s before the end of ${pastTitle(moment.past)}`;
    return `Not live: frame ${frame}, ${where}.`;
  }

  comingWords(moment) {
    const { past, timeline, wanted, trouble } = this.looking;
    if (timeline === null) return `Opening ${pastTitle(past)}.`;
    if (timeline.count === 0) return "It holds no frame.";
    if (this.isHere(moment) && moment.place === wanted) return "";
    if (wanted === null) return "";
    const where = `${placeWords(timeline, wanted)} is on its way`;
    return `${where}${trouble ? `: ${trouble}` : wanted >= timeline.ready ? ": not evaluated yet" : ""}.`;
  }

  noteWords(moment) {
    const { timeline, broken } = this.looking;
    const part = timeline !== null && timeline.ready < timeline.count && !broken
      ? `evaluated so far: ${timeline.ready} of ${timeline.count} frames, with their marks`
      : "";
    const note = this.isHere(moment) ? moment.snapshot.note : "";
    return [broken, part, note].filter(Boolean).join("; ");
  }

  valueText(moment) {
    const { timeline, wanted } = this.looking;
    if (this.isHere(moment) && moment.place === wanted) {
      return `frame ${moment.snapshot.frame}, ${clockWords(moment.snapshot.seconds)}`;
    }
    return `about ${placeWords(timeline, wanted)}`;
  }

  // The mark under the pointer, what the last leap found, or what is marked where one looks.
  tell() {
    const { said, timeline } = this.looking;
    const here = this.isHere(this.moment) && timeline
      ? timeline.marks.filter(({ place }) => place === this.moment.place)
      : [];
    const words = this.pointed ? markWords(this.pointed) : said.text || here.map(markWords).join("; ");
    put(this.words, words);
  }

  draw() {
    const { timeline } = this.looking;
    if (!this.looking.isOpen) return;
    const kinds = new Set(timeline?.marks.map(({ kind }) => kind));
    const lines = LINES.filter((line) => line.kinds.includes("gap") || line.kinds.some((kind) => kinds.has(kind)));
    for (const [line, head] of this.heads) {
      head.hidden = !lines.includes(line);
      head.style.gridRow = String(lines.indexOf(line) + 1);
      head.style.height = `${line.height}px`;
    }
    this.canvas.style.gridRow = `1 / span ${lines.length}`;
    for (const part of [this.turnedHead, this.turned.parentElement]) part.style.gridRow = String(lines.length + 1);
    if (timeline === null || timeline.count === 0) return;
    const place = this.isHere(this.moment ?? null) ? this.moment.place : null;
    this.marks.draw(timeline, lines, place, colours());
  }
}
