// Keep as watch: a name, a label and a form give the table to paste.

import { child, put } from "../shared/elements.js";
import { NAME, watchTable } from "./toml.js";

const SHOWS = ["", "decimal", "hex", "binary", "degrees", "fixed:2", "fixed:4", "name"];

function field(parent, id, words, tag = "input") {
  const line = child(parent, "field", "p");
  const label = child(line, "", "label");
  label.htmlFor = id;
  put(label, words);
  const input = child(line, "", tag);
  input.id = id;
  return input;
}

export class Keep {
  // *taken* gives the names that watches have.
  constructor(element, taken) {
    this.element = element;
    this.taken = taken;
    this.expression = "";
    const form = child(element, "keep-form", "div");
    this.name = field(form, "keep-name", "name");
    this.name.spellcheck = false;
    this.name.autocomplete = "off";
    this.name.setAttribute("aria-describedby", "keep-fault");
    this.label = field(form, "keep-label", "label");
    this.label.dir = "auto";
    this.group = field(form, "keep-group", "group");
    this.group.dir = "auto";
    this.show = field(form, "keep-show", "shown as", "select");
    for (const show of SHOWS) {
      const option = child(this.show, "", "option");
      option.value = show;
      put(option, show || "its type says");
    }
    this.fault = child(element, "fault", "p");
    this.fault.id = "keep-fault";
    this.text = child(element, "toml", "textarea");
    this.text.readOnly = true;
    this.text.rows = 6;
    this.text.setAttribute("aria-label", "table for the bridge file");
    this.text.dir = "ltr";
    const line = child(element, "copy", "p");
    this.copy = child(line, "plain", "button");
    this.copy.type = "button";
    put(this.copy, "Copy");
    this.done = child(line, "aside");
    this.done.setAttribute("role", "status");
    this.copy.addEventListener("click", () => this.give());
    element.addEventListener("input", () => this.write());
    element.addEventListener("toggle", () => this.write());
  }

  of(expression) {
    this.element.hidden = expression === "";
    if (expression === this.expression) return;
    this.expression = expression;
    put(this.done, "");
    this.write();
  }

  write() {
    if (!this.element.open) return;
    const name = this.name.value.trim() || "kept";
    const wrong = !NAME.test(name)
      ? "a name has letters, digits and _, and does not begin with a digit"
      : this.taken().has(name) ? `there is a watch ${name} already` : "";
    put(this.fault, wrong);
    this.name.toggleAttribute("aria-invalid", wrong !== "");
    if (wrong) this.name.setAttribute("aria-invalid", "true");
    this.text.value = watchTable({
      name,
      label: this.label.value,
      group: this.group.value,
      expr: this.expression,
      show: this.show.value,
    });
    this.text.rows = this.text.value.split("\n").length;
  }

  async give() {
    try {
      await navigator.clipboard.writeText(this.text.value);
      put(this.done, "copied");
    } catch {
      this.text.focus();
      this.text.select();
      put(this.done, "the browser does not let pages copy; the text is selected");
    }
  }
}
