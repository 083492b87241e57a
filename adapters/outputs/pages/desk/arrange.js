// The list of panels, in which each is moved, folded, hidden and brought back, without dragging:
// WCAG 2.2, success criterion 2.5.7.

import { child, label, put } from "../shared/elements.js";
import { Keyed } from "../shared/keyed.js";

function button(parent, text, words, run) {
  const made = child(parent, "plain", "button");
  made.type = "button";
  put(made, text);
  label(made, words);
  made.addEventListener("click", run);
  return made;
}

function box(parent, text, words, run) {
  const around = child(parent, "", "label");
  const made = child(around, "", "input");
  made.type = "checkbox";
  label(made, words);
  put(child(around), text);
  made.addEventListener("change", () => run(made.checked));
  return made;
}

export class Arrange {
  constructor(opener, dialog, list, restore, close, panels) {
    this.opener = opener;
    this.panels = panels;
    this.name = opener.firstChild.textContent.trim();
    this.rows = new Keyed(list, (panel) => this.row(panel));
    opener.addEventListener("click", () => dialog.showModal());
    close.addEventListener("click", () => dialog.close());
    restore.addEventListener("click", () => panels.restore());
    panels.changed = () => this.show();
    this.show();
  }

  row(panel) {
    const element = document.createElement("li");
    const { panels } = this;
    const name = panel.querySelector("h2").textContent;
    const up = button(element, "↑", `${name}: up`, () => this.shift(panel, -1, up));
    const down = button(element, "↓", `${name}: down`, () => this.shift(panel, 1, down));
    put(child(element, "name"), name);
    const shown = box(element, "shown", `${name}: shown`, (on) => panels.hide(panel, !on));
    const folded = box(element, "folded", `${name}: folded`, (on) => panels.fold(panel, on));
    return { element, up, down, shown, folded };
  }

  shift(panel, by, button) {
    this.panels.shift(panel, by);
    button.focus(); // its row has moved
  }

  show() {
    const { panels } = this;
    const order = panels.inOrder();
    this.rows.show(order, ({ id }) => id, ({ element, up, down, shown, folded }, panel, i) => {
      // a plan's panel is there while there is a plan
      element.hidden = panel.hidden;
      up.setAttribute("aria-disabled", String(i === 0));
      down.setAttribute("aria-disabled", String(i === order.length - 1));
      shown.checked = !panels.away.has(panel.id);
      folded.checked = panels.folded.has(panel.id);
    });
    const away = order.filter(({ id }) => panels.away.has(id)).length;
    put(this.opener.firstChild, away > 0 ? `${this.name}, ${away} hidden ` : `${this.name} `);
  }
}
