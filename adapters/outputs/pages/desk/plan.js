// The plan that is followed: its steps, the heap as it is and as it must be after the next one, where
// the game has left it, and a new plan from there.

import { child, mark, put } from "../shared/elements.js";
import { Keyed } from "../shared/keyed.js";
import { printable } from "../shared/printable.js";
import { hexadecimal } from "./blocks.js";

const WIDEST_HOLE = 3; // a hole is drawn as at most so many of the largest blocks

function stepRow() {
  const element = document.createElement("li");
  child(element, "dash").setAttribute("aria-hidden", "true");
  const name = child(element, "name");
  name.dir = "auto";
  return { element, name, said: child(element, "said") };
}

function blockPart() {
  const element = document.createElement("li");
  return { element, owner: child(element, "owner") };
}

function newRow() {
  const element = document.createElement("li");
  element.dir = "auto";
  return { element };
}

function takes({ frames, precise }) {
  const words = `${frames} frame${frames === 1 ? "" : "s"}`;
  return precise > 0 ? `${words}, ${precise} to the frame` : words;
}

// Whether a block is otherwise in the other heap; a hole only where something is handed out there.
function differs([start, size, used, owner], others) {
  if (used) return !others.some((other) => other[0] === start && other[2] && other[3] === owner);
  return others.some((other) => other[2] && other[0] < start + size && other[0] + other[1] > start);
}

// One heap as a strip: each block as wide as it is long, a hole not longer than some blocks.
class Strip {
  constructor(parent, label, kinds) {
    this.kinds = kinds;
    this.title = child(parent, "aside", "p");
    this.list = child(parent, "plan-strip", "ol");
    this.list.setAttribute("role", "list");
    this.list.setAttribute("aria-label", label);
    this.parts = new Keyed(this.list, blockPart);
  }

  show(blocks, most, length, others) {
    const widths = blocks.map((block) => Strip.width(block, most));
    const rest = length - widths.reduce((sum, width) => sum + width, 0);
    this.list.style.setProperty("--rest", String(Math.max(0, rest)));
    this.parts.show(blocks, ([start]) => start, ({ element, owner }, block, i) => {
      const [start, size, used, name] = block;
      element.style.flexGrow = String(widths[i]);
      element.dataset.used = used ? "yes" : "no";
      element.dataset.differs = differs(block, others) ? "yes" : "no";
      const words = name.replaceAll("_", " ");
      put(owner, words);
      owner.dataset.code = printable(this.kinds.of(name).code); // where the words have no room
      const bytes = `${hexadecimal(size)} bytes at ${hexadecimal(start)}`;
      element.title = printable(`${words}, ${bytes}`);
    });
  }

  static width([, size, used], most) {
    return used ? size : Math.min(size, WIDEST_HOLE * most);
  }
}

export class PlanPanel {
  // *kinds* has the codes that the heap's map has too.
  constructor(element, kinds) {
    this.element = element;
    const head = child(element, "plan-head", "p");
    mark(head);
    this.where = child(head, "sentence");
    this.where.dir = "auto";
    this.doc = child(element, "hint", "p");
    this.doc.dir = "auto";
    this.slip = child(element, "fault", "p");
    this.slip.dir = "auto";
    this.fresh = child(element, "sentence", "p");
    this.fresh.dir = "auto";
    this.route = child(element, "plan-new", "ol");
    this.route.setAttribute("aria-label", "new plan");
    this.route.setAttribute("role", "list");
    this.routes = new Keyed(this.route, newRow);
    this.unseen = child(element, "aside", "p");
    this.unseen.dir = "auto";
    this.strips = child(element, "plan-strips", "div");
    this.now = new Strip(this.strips, "the heap now", kinds);
    this.wanted = new Strip(this.strips, "the heap after the next step", kinds);
    this.omitted = child(this.strips, "aside", "p");
    this.steps = child(element, "steps", "ol");
    this.steps.setAttribute("role", "list");
    this.steps.setAttribute("aria-label", "steps of the plan");
    this.rows = new Keyed(this.steps, stepRow);
    this.last = "";
  }

  show({ plan, plan_words: words, plan_drawn: drawn }, allowed) {
    const fresh = JSON.stringify([plan ?? null, words ?? null, drawn ?? null]);
    if (fresh === this.last) return { changed: false, pending: false };
    if (!allowed && this.last !== "") return { changed: false, pending: true };
    this.last = fresh;
    this.element.hidden = !plan;
    if (!plan) return { changed: true, pending: false };
    const unknown = plan.reason !== "";
    this.element.dataset.mark = unknown ? "none" : { done: "hit", off: "miss" }[plan.stand] ?? "none";
    put(this.where, words.where);
    const next = plan.next && plan.stand !== "off" && !unknown ? plan.next.doc : "";
    for (const [part, text] of [
      [this.doc, next], [this.slip, words.slip], [this.unseen, words.unseen],
    ]) {
      put(part, text);
      part.hidden = text === "";
    }
    const found = plan.new_plan?.found && plan.new_plan.steps.length > 0 ? plan.new_plan : null;
    const first = found?.first ? `, when ${found.first} is over` : "";
    const heading = found ? `New plan from here, ${takes({ frames: found.frames, precise: 0 })}${first}:` : words.new;
    put(this.fresh, heading);
    this.fresh.hidden = heading === "";
    this.route.hidden = found === null;
    this.routes.show((found?.steps ?? []).map((step, i) => [i, step]), ([i]) => i, ({ element }, [, step]) => {
      put(element, `${step.action}, ${takes(step)}`);
    });
    this.draw(plan, drawn);
    const steps = (drawn?.steps ?? []).map((step, i) => [i, step]);
    this.steps.hidden = steps.length === 0;
    this.rows.show(steps, ([i]) => i, ({ element, name, said }, [i, step]) => {
      const now = i === plan.done && !unknown && plan.stand !== "waits";
      element.dataset.state = i < plan.done ? "done" : now ? "now" : "next";
      put(name, step.action);
      put(said, takes(step));
    });
    return { changed: true, pending: false };
  }

  draw(plan, drawn) {
    const { now = [], wanted = [], omitted = 0 } = drawn ?? {};
    this.strips.hidden = now.length === 0 || plan.reason !== "";
    if (this.strips.hidden) return;
    const most = Math.max(1, ...[...now, ...wanted].filter((block) => block[2]).map((block) => block[1]));
    const lengths = [now, wanted].map((blocks) => blocks.reduce((sum, b) => sum + Strip.width(b, most), 0));
    const length = Math.max(...lengths);
    put(this.omitted, omitted > 0 ? `${omitted} more blocks are not drawn` : "");
    put(this.now.title, "now");
    put(this.wanted.title, plan.next ? `after ${plan.next.action}` : "at the plan's end");
    this.now.show(now, most, length, wanted);
    this.wanted.show(wanted, most, length, now);
  }
}
