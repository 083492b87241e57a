// The expression's field with its list of names: an editable combobox with a list, by the WAI-ARIA
// Authoring Practices (w3.org/WAI/ARIA/apg/patterns/combobox).  The focus stays in the field.

import { child, put } from "../shared/elements.js";
import { completion, everything } from "./completion.js";

export class Combobox {
  // *names* gives what may be offered; *changed* is called with the text, whether at once, and
  // whether with Shift.
  constructor(input, list, names, changed) {
    this.input = input;
    this.list = list;
    this.names = names;
    this.changed = changed;
    this.offers = [];
    this.from = 0;
    this.at = -1;
    input.addEventListener("input", () => this.typed());
    input.addEventListener("keydown", (event) => this.key(event));
    input.addEventListener("blur", () => this.close());
    input.addEventListener("click", () => this.close());
    // a press must not take the focus away
    list.addEventListener("mousedown", (event) => event.preventDefault());
    list.addEventListener("click", (event) => {
      const option = event.target.closest("[role=option]");
      if (option) this.take([...list.children].indexOf(option));
    });
  }

  get isOpen() {
    return !this.list.hidden;
  }

  typed() {
    this.offer(completion);
    this.changed(this.input.value, false);
  }

  offer(how) {
    const names = this.names();
    const { from, offers } = names
      ? how(this.input.value, this.input.selectionStart ?? this.input.value.length, names)
      : { from: 0, offers: [] };
    this.from = from;
    this.offers = offers;
    this.list.replaceChildren(...offers.map((each, i) => this.option(each, i)));
    this.list.hidden = offers.length === 0;
    this.input.setAttribute("aria-expanded", String(offers.length > 0));
    this.point(-1);
  }

  option({ text, kind, about }, i) {
    const option = document.createElement("li");
    option.id = `${this.list.dataset.option ?? "offer"}-${i}`;
    option.setAttribute("role", "option");
    option.setAttribute("aria-selected", "false");
    put(child(option, "offer"), text);
    put(child(option, "kind"), kind);
    put(child(option, "about"), about);
    return option;
  }

  point(at) {
    this.list.children[this.at]?.setAttribute("aria-selected", "false");
    this.at = at;
    const option = this.list.children[at];
    if (option) {
      option.setAttribute("aria-selected", "true");
      option.scrollIntoView({ block: "nearest" });
      this.input.setAttribute("aria-activedescendant", option.id);
    } else {
      this.input.removeAttribute("aria-activedescendant");
    }
  }

  take(at) {
    const { insert } = this.offers[at];
    const { input } = this;
    const caret = input.selectionStart ?? input.value.length;
    input.value = input.value.slice(0, this.from) + insert + input.value.slice(caret);
    const place = this.from + insert.length;
    input.setSelectionRange(place, place);
    if (insert.endsWith(".")) this.offer(completion);
    else this.close();
    this.changed(input.value, false);
  }

  close() {
    this.list.hidden = true;
    this.input.setAttribute("aria-expanded", "false");
    this.point(-1);
  }

  key(event) {
    const { key } = event;
    const count = this.offers.length;
    if (key === "ArrowDown" || key === "ArrowUp") {
      if (!this.isOpen) this.offer(everything);
      const last = this.offers.length - 1;
      if (this.isOpen) {
        const next = key === "ArrowDown" ? this.at + 1 : this.at < 0 ? last : this.at - 1;
        this.point(next > last ? 0 : next < 0 ? last : next);
      }
    } else if (key === " " && event.ctrlKey) {
      this.offer(everything);
    } else if (key === "Enter") {
      if (this.isOpen && this.at >= 0) this.take(this.at);
      else {
        this.close();
        this.changed(this.input.value, true, event.shiftKey);
      }
    } else if (key === "Tab" && this.isOpen && this.at >= 0) {
      this.take(this.at);
      return;
    } else if (key === "Escape") {
      if (this.isOpen) this.close();
      else if (this.input.value !== "") {
        this.input.value = "";
        this.changed("", true);
      } else return;
    } else if (["ArrowLeft", "ArrowRight", "Home", "End"].includes(key)) {
      if (this.isOpen && count > 0) this.close();
      return;
    } else {
      return;
    }
    event.preventDefault();
  }

  set(text) {
    this.input.value = text;
    this.close();
  }
}
