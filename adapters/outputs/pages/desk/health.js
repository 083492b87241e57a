// Where the frames come from, how whole they are, and where the readings go.

import { child, put } from "../shared/elements.js";
import { Keyed } from "../shared/keyed.js";

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
  if (stats.unclear > 0) found.push(["unclear", String(stats.unclear), "gaps nobody can count"]);
  if (stats.resets > 0) found.push(["resets", String(stats.resets), "the game began again"]);
  return found;
}

function outputLines({ health }) {
  return (health?.outputs ?? []).map(({ kind, state, skipped }) =>
    [kind, state, skipped > 0 ? `${skipped} skipped` : ""]);
}

function facts(parent) {
  return new Keyed(child(parent, "facts", "dl"), () => {
    const element = document.createElement("div");
    element.className = "fact";
    const term = child(element, "", "dt");
    const value = child(element, "", "dd");
    const number = child(value, "number");
    number.dir = "auto";
    return { element, term, number, words: child(value, "aside") };
  });
}

export class HealthPanel {
  constructor(element) {
    this.note = child(element, "sentence", "p");
    this.note.dir = "auto";
    this.source = facts(element);
    this.keeping = child(element, "sentence", "p");
    this.keeping.dir = "auto";
    this.title = child(element, "", "h3");
    put(this.title, "Outputs");
    this.outputs = facts(element);
    this.pagesTitle = child(element, "", "h3");
    put(this.pagesTitle, "What overlay pages do not show");
    const told = child(element, "complaints", "ul");
    told.setAttribute("role", "list");
    this.pages = new Keyed(told, () => {
      const element = document.createElement("li");
      element.dir = "auto";
      return { element };
    });
  }

  // Beside a past moment there is nothing of the live outputs.
  show(found, live = true) {
    const snapshot = live ? found : { ...found, health: null };
    put(this.note, snapshot.note ?? "");
    this.fill(this.source, lines(snapshot));
    const notice = snapshot.health?.notice ?? "";
    this.keeping.hidden = notice === "";
    put(this.keeping, notice && `Attempts: ${notice}`);
    const outputs = outputLines(snapshot);
    this.title.hidden = outputs.length === 0;
    this.fill(this.outputs, outputs);
    this.listPages(snapshot.health?.pages ?? []);
  }

  // What is wrong with their addresses and what does not fit, which is not for viewers.
  listPages(told) {
    this.pagesTitle.hidden = this.pages.parent.hidden = told.length === 0;
    this.pages.show(told, (words) => words, (line, words) => put(line.element, words));
  }

  fill(list, found) {
    list.show(found, ([title]) => title, (line, [title, number, words]) => {
      put(line.term, title);
      put(line.number, number);
      put(line.words, words);
    });
  }
}
