// Elements.  Text from guests and schemas goes in by textContent alone, and so is never HTML; what
// is written here shows its hidden characters.

import { printable } from "./printable.js";

const SVG = "http://www.w3.org/2000/svg";

export function child(parent, name, tag = "span") {
  const element = document.createElement(tag);
  element.className = name;
  parent.append(element);
  return element;
}

// Whether the text had to be changed.
export function put(element, text) {
  const shown = printable(text ?? "");
  if (element.textContent === shown) return false;
  element.textContent = shown;
  return true;
}

// The head of a table; gives its body.
export function headed(table, titles) {
  const head = child(child(table, "", "thead"), "", "tr");
  for (const title of titles) {
    const cell = child(head, "", "th");
    cell.scope = "col";
    put(cell, title);
  }
  return child(table, "", "tbody");
}

// What is read aloud in an element's place.
export function label(element, words) {
  element.setAttribute("aria-label", printable(words));
}

// The shapes of a state, one above the other; the style sheet shows one of them.  Each has a
// wider copy behind it, which is its outline.
const SHAPES = {
  hit: "M8 2a6 6 0 1 0 .01 0z",
  miss: "M8 2a6 6 0 1 0 .01 0zM8 4.8a3.2 3.2 0 1 1-.01 0z",
  warning: "M8 1.5 15 14H1zM7.1 6v3.9h1.8V6zM7.1 11v1.7h1.8V11z",
  absent: "M3.6 1.9 8 6.3l4.4-4.4 1.7 1.7L9.7 8l4.4 4.4-1.7 1.7L8 9.7l-4.4 4.4-1.7-1.7L6.3 8 1.9 3.6z",
  offline: "M2.5 3h3.6v10H2.5zM9.9 3h3.6v10H9.9z",
};

export function mark(parent) {
  const picture = document.createElementNS(SVG, "svg");
  picture.setAttribute("class", "mark");
  picture.setAttribute("viewBox", "0 0 16 16");
  picture.setAttribute("aria-hidden", "true");
  for (const [name, shape] of Object.entries(SHAPES)) {
    const group = document.createElementNS(SVG, "g");
    group.setAttribute("class", name);
    for (const part of ["edge", "face"]) {
      const path = document.createElementNS(SVG, "path");
      path.setAttribute("class", part);
      path.setAttribute("d", shape);
      path.setAttribute("fill-rule", "evenodd");
      group.append(path);
    }
    picture.append(group);
  }
  parent.append(picture);
  return picture;
}
