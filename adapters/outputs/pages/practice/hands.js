// Which key and which pad's button does what: shown, chosen by pressing it, and remembered.  WCAG
// 2.2, success criterion 2.1.4: single keys can be chosen otherwise, and turned off.

import { child, label, put } from "../shared/elements.js";
import { keep, kept } from "../shared/memory.js";
import { watchPads } from "./game_pad.js";
import { ACTIONS } from "./hand.js";

const NAME = "hands";
const DOES = { ...ACTIONS, ticks: "Ticks on or off" };
const KEYS = { count: "c", undo: "u", again: "a", ticks: "t" };
const OWN = new Set(["Tab", "Escape", "Enter", " ", "Shift", "Control", "Alt", "Meta", "AltGraph"]);

// {single, keys, pads} of what is kept: a key of one character or a name, and {pad, button} or null.
export function readHands(text) {
  let found = null;
  try {
    found = JSON.parse(text ?? "null");
  } catch {
    // what another version or a person wrote is not taken
  }
  const keys = {};
  const pads = {};
  for (const what of Object.keys(DOES)) {
    const key = found?.keys?.[what];
    keys[what] = typeof key === "string" ? key.slice(0, 20) : found?.keys ? "" : KEYS[what];
    const pad = found?.pads?.[what];
    const isButton = typeof pad?.pad === "string" && Number.isInteger(pad.button);
    pads[what] = isButton ? { pad: pad.pad, button: pad.button } : null;
  }
  return { single: found?.single !== false, keys, pads };
}

function isTyping(target) {
  return target.closest?.("input:not([type=range]), textarea, select, [contenteditable]") !== null;
}

function padName(pad) {
  return pad === null ? "" : `pad ${pad.button}`;
}

export class Hands {
  constructor(hand, cue, opener, dialog) {
    Object.assign(this, { hand, cue, dialog, chosen: readHands(kept(NAME)), asks: null });
    this.build(dialog);
    opener.addEventListener("click", () => dialog.showModal());
    dialog.addEventListener("close", () => this.askFor(null));
    addEventListener("keydown", (event) => this.key(event), true);
    watchPads((pressed) => this.pressed(pressed));
  }

  build(dialog) {
    const list = child(dialog, "choices", "dl");
    this.rows = {};
    for (const [what, words] of Object.entries(DOES)) {
      put(child(list, "", "dt"), words);
      const cell = child(list, "", "dd");
      this.rows[what] = Object.fromEntries(["key", "pad"].map((kind) => {
        const button = child(cell, "plain", "button");
        button.type = "button";
        button.addEventListener("click", () => this.askFor({ what, kind }));
        return [kind, button];
      }));
    }
    this.told = child(dialog, "aside", "p");
    this.told.setAttribute("role", "status");
    const line = child(dialog, "", "p");
    const words = child(line, "", "label");
    this.single = child(words, "", "input");
    this.single.type = "checkbox";
    this.single.id = "single";
    words.append(" single keys work on this page");
    this.single.addEventListener("change", () => this.change(() => (this.chosen.single = this.single.checked)));
    const closing = child(dialog, "closing", "p");
    const close = child(closing, "plain", "button");
    close.type = "button";
    put(close, "Close");
    close.addEventListener("click", () => dialog.close());
  }

  change(run) {
    run();
    keep(NAME, JSON.stringify(this.chosen));
    this.write();
  }

  // What stands on the buttons.
  write() {
    const { single, keys, pads } = this.chosen;
    this.single.checked = single;
    for (const [what, words] of Object.entries(DOES)) {
      const shown = [single ? keys[what] : "", padName(pads[what])].filter(Boolean);
      if (what === "ticks") this.cue.name(shown);
      else this.hand.name(what, shown);
      const { key, pad } = this.rows[what];
      const asked = (kind) => this.asks?.what === what && this.asks.kind === kind;
      put(key, asked("key") ? "press a key" : keys[what] ? `key ${keys[what]}` : "no key");
      put(pad, asked("pad") ? "press a button" : padName(pads[what]) || "no pad button");
      label(key, `${words}: ${key.textContent}, choose another`);
      label(pad, `${words}: ${pad.textContent}, choose another`);
    }
  }

  // Wait for the key or the button that is to do something; null for no longer.
  askFor(asks) {
    this.asks = asks;
    const words = asks && DOES[asks.what].toLowerCase();
    put(this.told, !asks ? "" : asks.kind === "key"
      ? `press the key for ${words}; Backspace for none, Esc to leave it`
      : `press the pad's button for ${words}; Backspace for none, Esc to leave it`);
    this.write();
  }

  // What was pressed does *what* it was asked for, and nothing else.
  choose(kind, value, same) {
    const { what } = this.asks;
    const all = kind === "key" ? this.chosen.keys : this.chosen.pads;
    const none = kind === "key" ? "" : null;
    this.asks = null;
    this.change(() => {
      for (const other of Object.keys(all)) if (same(all[other])) all[other] = none;
      all[what] = value;
    });
    put(this.told, "");
  }

  key(event) {
    if (this.asks !== null) {
      this.answer(event);
      return;
    }
    if (event.ctrlKey || event.altKey || event.metaKey || event.repeat || event.defaultPrevented) return;
    if (!this.chosen.single || document.querySelector("dialog[open]") || isTyping(event.target)) return;
    const what = Object.keys(DOES).find((each) => this.chosen.keys[each] === event.key);
    if (what === undefined) return;
    event.preventDefault();
    this.act(what);
  }

  // A key while a key or a button is asked for.
  answer(event) {
    if (["Tab", "Shift", "Control", "Alt", "Meta", "AltGraph"].includes(event.key)) return;
    event.preventDefault();
    event.stopPropagation();
    const isKey = this.asks.kind === "key";
    if (event.key === "Escape") this.askFor(null);
    else if (event.key === "Backspace") this.choose(this.asks.kind, isKey ? "" : null, () => false);
    else if (isKey && !OWN.has(event.key)) this.choose("key", event.key, (key) => key === event.key);
  }

  pressed(pressed) {
    const same = (pad) => pad?.pad === pressed.pad && pad.button === pressed.button;
    if (this.asks?.kind === "pad") this.choose("pad", pressed, same);
    else if (this.cue.settings.test.runs) this.cue.settings.test.tap(performance.now());
    else if (!document.querySelector("dialog[open]")) {
      const what = Object.keys(DOES).find((each) => same(this.chosen.pads[each]));
      if (what !== undefined) this.act(what);
    }
  }

  act(what) {
    if (what === "ticks") this.cue.turn();
    else this.hand.ask(what);
  }
}
