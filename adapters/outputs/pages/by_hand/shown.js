// What is told of the question and of what has been reached.

import { child, label, put } from "../shared/elements.js";
import { Keyed } from "../shared/keyed.js";

const STANDING = {
  asked: "asked",
  skipped: "left out",
  "not-by-hand": "not by hand",
  absent: "",
};

// An address in groups of four digits.
export function groups(address) {
  const digits = address.toString(16).toUpperCase().padStart(8, "0");
  const head = digits.length % 4;
  const rest = digits.slice(head).match(/.{4}/g);
  return head > 0 ? [digits.slice(0, head), ...rest] : rest;
}

export function showPlace(element, address) {
  element.replaceChildren();
  for (const digits of address === null ? [] : groups(address)) put(child(element, "group"), digits);
}

export function sizeText({ size, order }) {
  const amount = size === 1 ? "1 byte" : `${size} bytes`;
  return `${amount}, shown as hexadecimal${order === "little" && size > 1 ? ", byte by byte" : ""}`;
}

// A sum, one digit a column, with what is carried.
export function showSum(element, sum) {
  const spaced = (digits) => [...digits].join(" ");
  const lines = [`  ${spaced(sum.steps[0].before)}  ${sum.base}`];
  for (const step of sum.steps) {
    if (step.carries.trim() !== "") lines.push(`  ${spaced(step.carries)}  carried`);
    lines.push(`${step.sign} ${spaced(step.operand)}  ${step.label}`, `= ${spaced(step.after)}`);
  }
  element.replaceChildren();
  for (const line of lines) put(child(element, "line", "div"), line);
}

export class ReachedList {
  // *again* is called with a watch that is to be asked again.
  constructor(element, again) {
    this.rows = new Keyed(element, () => {
      const row = document.createElement("li");
      const parts = {
        element: row,
        name: child(row, "name"),
        value: child(row, "value"),
        button: child(row, "again", "button"),
        where: child(row, "where"),
        why: child(row, "why"),
        watch: "",
      };
      parts.button.type = "button";
      parts.button.addEventListener("click", () => again(parts.watch));
      return parts;
    });
  }

  show(reached) {
    this.rows.show(
      reached,
      (each) => `${each.watch} ${each.part}`,
      (parts, each) => {
        parts.watch = each.watch;
        parts.element.dataset.standing = each.standing;
        put(parts.name, each.part === "" ? each.title : `${each.title}: ${each.part}`);
        put(parts.value, each.text || (STANDING[each.standing] ?? "") || (each.status ?? ""));
        put(parts.where, each.address === null ? "" : groups(each.address).join(" "));
        put(parts.why, each.standing === "asked" ? "" : each.reason);
        put(parts.button, "Again");
        label(parts.button, `ask again for ${each.title}`);
        parts.button.hidden = each.standing === "asked" || each.standing === "not-by-hand";
      },
    );
  }
}
