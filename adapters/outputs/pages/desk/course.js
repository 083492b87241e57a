// How a value comes about: a line for each step, addresses under addresses, digit under digit.

import { child, headed, put } from "../shared/elements.js";

// What is added in this step, without the sign; "" where nothing is.
function added({ kind, offset, count }) {
  const hex = (offset ?? 0).toString(16).toUpperCase();
  if (kind === "add" || kind === "part") return hex;
  if (kind === "index") return `${count ?? "n"} × ${hex}`;
  return "";
}

export function digits(hex) {
  return hex.replace(/^0x/i, "").toUpperCase();
}

function isThere(step) {
  return step.hex !== "" || step.text !== "";
}

// The last part of a path: what came before stands in the lines above.
function tail(path) {
  return /(\.\w+|\[[^\]]*\])$/.exec(path)?.[0] ?? path;
}

// The line's parts: what it is called, what stands in the column of addresses, what that means.
function parts(step) {
  const number = digits(step.hex ?? "") || step.text;
  const what = step.reason || "";
  switch (step.kind) {
    case "symbol":
      return [step.label, number, what || `${step.type}, placed by the build`];
    case "computed":
      return [step.label, number, what || `${step.type}, at a computed address`];
    case "follow":
      return [`${tail(step.label)} holds`, number, what || `a pointer to ${step.type}`];
    case "value":
      return [`${tail(step.label)} holds`, number, what || meaning(step, number)];
    case "part":
      return [step.label.split("(", 1)[0], number, what || meaning(step, number)];
    case "list":
      return [step.label, count(step, number), what || `elements, ${step.type}`];
    case "element": {
      const own = step.label === `[${step.offset}]`;
      return [step.label, number, own ? step.type : `${step.type}, from [${step.offset}]`];
    }
    case "more":
      return ["…", `${number} more`, ""];
    case "position":
      return [`${step.label} is element`, number, what || `of ${step.type}`];
    case "block":
      return [step.label, number, what || "where the block begins"];
    case "field":
      return [step.label, number, what];
    default:
      return [step.label, number, what || step.type];
  }
}

// Of a list: how many of what was walked, where not all of it.
function count({ offset }, number) {
  return number === "" || number === String(offset) ? number : `${number} of ${offset}`;
}

function meaning(step, number) {
  return step.text && step.text !== number && digits(step.text) !== number
    ? `${step.type} ${step.text}`
    : step.type;
}

export class Course {
  constructor(element) {
    this.element = element;
    this.shape = "";
    this.rows = [];
  }

  show(steps) {
    const lines = steps.filter((step) => step.kind !== "result");
    const shape = lines.map((step) => `${step.kind} ${step.label}`).join("\n");
    if (shape !== this.shape) this.build(lines, shape);
    let broken = "";
    for (const [i, step] of lines.entries()) {
      const absent = step.status !== "ok" && !isThere(step);
      // what follows from the same reason is only what it would have been
      const beyond = absent && broken !== "" && step.reason === broken;
      const state = beyond ? "beyond" : absent ? "absent" : "there";
      this.fill(this.rows[i], beyond ? { ...step, reason: "" } : step, state);
      if (absent) broken = step.reason;
    }
  }

  build(lines, shape) {
    this.shape = shape;
    this.rows = [];
    if (lines.length === 0) {
      this.element.replaceChildren();
      return;
    }
    const table = document.createElement("table");
    table.className = "course";
    put(child(table, "unseen", "caption"), "steps from the symbol to the value, numbers in hexadecimal");
    const body = headed(table, ["part", "added", "address", "what is there"]);
    for (const step of lines) {
      const element = child(body, "leg", "tr");
      element.dataset.kind = step.kind;
      const name = child(element, "part", "th");
      name.scope = "row";
      const cells = ["added", "reached", "meaning"].map((each) => child(element, each, "td"));
      this.rows.push({ element, name, cells });
    }
    this.element.replaceChildren(table);
  }

  fill({ element, name, cells }, step, state) {
    const [called, number, what] = parts(step);
    const more = added(step);
    put(name, called);
    put(cells[0], more === "" ? "" : `+ ${more}`);
    // of a half, its address; what it holds is told beside it
    const half = step.kind === "part" && step.address !== null;
    put(cells[1], half ? step.address.toString(16).toUpperCase().padStart(8, "0") : number || "–");
    put(cells[2], half && number ? `${number}, ${what}` : what);
    if (element.dataset.state !== state) element.dataset.state = state;
  }
}
