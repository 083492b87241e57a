// Where the frames come from, how whole they are, and where the readings go.

import { child, put } from "/pages/elements.js";

// [title, number, what it means]
function lines(snapshot) {
  const { stats, health } = snapshot;
  const found = [
    ["source", snapshot.source || "none yet", ""],
    ["build", snapshot.build || "not known yet", ""],
    ["frames are", snapshot.consistency || "not there yet", ""],
  ];
  if (health) found.push(["rate", `${health.rate.toFixed(1)} a second`, ""]);
  if (!stats) return found;
  found.push(
    ["frames", String(stats.frames), ""],
    ["skipped", String(stats.skipped), "never looked at"],
    ["lag", String(stats.lag), "frames' time that the game lost"],
    ["torn", String(stats.torn), "taken again"],
  );
  if (stats.unwhole > 0) found.push(["not whole", String(stats.unwhole), "the guard never passed"]);
  if (stats.resets > 0) found.push(["resets", String(stats.resets), "the game began again"]);
  return found;
}

function outputLines({ health }) {
  return (health?.outputs ?? []).map(({ kind, state, skipped }) =>
    [kind, state, skipped > 0 ? `${skipped} skipped` : ""]);
}

export class HealthPanel {
  constructor(element) {
    this.note = child(element, "sentence", "p");
    this.note.dir = "auto";
    this.source = child(element, "facts", "dl");
    this.title = child(element, "", "h3");
    put(this.title, "Outputs");
    this.outputs = child(element, "facts", "dl");
    this.pagesTitle = child(element, "", "h3");
    put(this.pagesTitle, "What overlay pages do not show");
    this.pages = child(element, "complaints", "ul");
    this.pages.setAttribute("role", "list");
  }

  show(snapshot) {
    put(this.note, snapshot.note ?? "");
    this.fill(this.source, lines(snapshot));
    const outputs = outputLines(snapshot);
    this.title.hidden = outputs.length === 0;
    this.fill(this.outputs, outputs);
    this.listPages(snapshot.health?.pages ?? []);
  }

  // What is wrong with their addresses and what does not fit, which is not for viewers.
  listPages(told) {
    this.pagesTitle.hidden = this.pages.hidden = told.length === 0;
    while (this.pages.children.length > told.length) this.pages.lastChild.remove();
    while (this.pages.children.length < told.length) child(this.pages, "", "li").dir = "auto";
    for (const [i, words] of told.entries()) put(this.pages.children[i], words);
  }

  fill(list, found) {
    while (list.children.length > found.length) list.lastChild.remove();
    while (list.children.length < found.length) {
      const line = child(list, "fact", "div");
      child(line, "", "dt");
      const value = child(line, "", "dd");
      child(value, "number").dir = "auto";
      child(value, "aside");
    }
    for (const [i, [title, number, words]] of found.entries()) {
      const [term, value] = list.children[i].children;
      put(term, title);
      put(value.children[0], number);
      put(value.children[1], words);
    }
  }
}
