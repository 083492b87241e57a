// The page of two recordings side by side.

import { address } from "../shared/address.js";
import { child, label, put } from "../shared/elements.js";
import { printable } from "../shared/printable.js";
import { Keyed } from "../shared/keyed.js";
import { pacer } from "../shared/pace.js";
import { where } from "../shared/practice_words.js";
import { Combobox } from "./combobox.js";
import { keys } from "./keys.js";
import { Pair } from "./pair.js";
import { clockWords, pastOf, pastTitle } from "./past_words.js";
import { poll } from "./poll.js";
import { ReadingsPair, paired } from "./readings_pair.js";
import { fillOptions } from "./select_options.js";
import { onSliderKeys } from "./slider_keys.js";
import { themeButton } from "../shared/theme.js";
import { wellFormed } from "./toml.js";
import { tooLong } from "./working.js";

const FIRST = "their first frames";
const EXPRESSION = "where an expression turns true";

const byId = (id) => document.getElementById(id);
const turnTheme = themeButton(byId("theme"));
const asked = address.searchParams;
const slider = byId("scrubber");
const readings = new ReadingsPair(byId("readings"), byId("counted"));
const pair = new Pair(() => ask());
let pasts = [];
let names = null;
let wrong = ""; // what is not asked, and why
let shown = null; // the moments that are
let emphasised = "";
let listed = "";

// Frames from the alignment, with their sign.
function offsetWords(offset) {
  const sign = offset > 0 ? "+" : offset < 0 ? "−" : "";
  return `${sign}${Math.abs(offset)} frame${Math.abs(offset) === 1 ? "" : "s"}`;
}

function aligned(offset) {
  return offset === 0 ? "where both are aligned" : `${offsetWords(offset)} from where both are aligned`;
}

const partings = new Keyed(byId("partings"), (item) => {
  const element = document.createElement("li");
  const words = child(element, "words");
  words.dir = "auto";
  const button = child(element, "plain", "button");
  button.type = "button";
  put(button, "Go there");
  label(button, `go to the first difference of ${item.what}`);
  const parts = { element, words, button, offset: 0 };
  button.addEventListener("click", () => pair.to(parts.offset));
  return parts;
});
const sides = new Keyed(byId("sides"), () => {
  const element = document.createElement("li");
  const [side, words] = ["side", "words"].map((name) => child(element, name));
  words.dir = "auto";
  const link = child(element, "plain", "a");
  put(link, "On the desk");
  return { element, side, words, link, note: child(element, "note") };
});
const places = new Keyed(document.querySelector(".track"), () => {
  const element = document.createElement("span");
  element.className = "place";
  element.setAttribute("aria-hidden", "true"); // the sentences say the same
  return { element, words: child(element, "") };
});

function differences({ first, memory }) {
  return [
    { what: "watches", kind: "watch", found: first, name: first?.label || first?.watch, none: "no watch differs in the frames that both have" },
    { what: "memory", kind: "memory", found: memory, name: memory?.path, none: "no field in memory differs in the frames that both have" },
  ];
}

function differenceWords({ what, found, name, none }) {
  if (found === null) return none;
  const title = what === "memory" ? "First difference in memory" : "First difference";
  return `${title}: ${offsetWords(found.offset)}, ${name}: A ${found.a}, B ${found.b}`;
}

// Which frames are shown waits until emphasis may change, where it would: all of it.
function turn(allowed) {
  const { came } = pair;
  if (came === null || came === shown) return { changed: false, pending: false };
  const pairs = paired(came.a.moment.readings, came.b.moment.readings);
  const fresh = JSON.stringify(pairs.map(({ watch, a, b, same }) => [watch, same, a?.status, a?.target, b?.status, b?.target]));
  const changed = fresh !== emphasised;
  if (changed && !allowed) return { changed: false, pending: true };
  shown = came;
  emphasised = fresh;
  readings.show(pairs);
  return { changed, pending: false };
}

function paint({ allowed }) {
  const turned = turn(allowed);
  const { found, isAligned, a, b } = pair;
  const some = a !== null && b !== null;
  byId("none").hidden = some || listed === "";
  put(byId("align-fault"), wrong || pair.trouble);
  put(byId("aligned"), alignedWords());
  offerSteps();
  byId("offsets").hidden = !isAligned;
  const parts = isAligned ? differences(found) : [];
  partings.show(parts, ({ what }) => what, (row, part) => {
    put(row.words, differenceWords(part));
    row.button.hidden = part.found === null;
    row.offset = part.found?.offset ?? 0;
  });
  if (isAligned) showOffset(parts);
  showSides();
  return turned;
}

function alignedWords() {
  const { found, isAligned, a } = pair;
  if (a === null) return "";
  if (found === null) return wrong || pair.trouble ? "" : "both are being evaluated";
  if (!isAligned) return found.error ? "" : "they have no frame in common from there on";
  return `both have ${found.count} frames from there on, and ${found.before} before`;
}

function showOffset(parts) {
  const { found, offset } = pair;
  Object.assign(slider, { min: String(-found.before), max: String(found.count - 1) });
  slider.value = String(offset);
  slider.setAttribute("aria-valuetext", printable(offsetWords(offset)));
  const all = found.before + found.count - 1;
  const share = (at) => (all > 0 ? (at + found.before) / all : 0);
  const marks = [
    { kind: "zero", at: 0, words: "aligned" },
    ...parts.filter((part) => part.found !== null)
      .map(({ kind, found: { offset: at } }) => ({ kind, at, words: "" })),
  ];
  places.show(marks, ({ kind }) => kind, ({ element, words }, { kind, at, words: said }) => {
    element.dataset.kind = kind;
    element.dataset.side = share(at) > 0.5 ? "end" : "start";
    element.style.setProperty("--share", share(at).toFixed(5));
    put(words, said);
  });
}

// What is shown is told of what is shown, not of what is asked for.
function showSides() {
  const { offset, late, isAligned } = pair;
  const looking = byId("looking");
  put(looking.querySelector(".which"), shown === null ? "" : `Not live: ${aligned(shown.offset)}`);
  const current = shown !== null && shown.found === pair.found && shown.offset === offset;
  const coming = isAligned && !current ? `${offsetWords(offset)} is on its way${late ? `: ${late}` : ""}` : "";
  put(looking.querySelector(".coming"), coming || (shown !== null && !current ? "as chosen before" : ""));
  const both = shown === null ? [] : ["a", "b"].map((side) => ({ side, ...shown[side] }));
  sides.show(both, ({ side }) => side, (row, { side, past, moment }) => {
    put(row.side, side.toUpperCase());
    const at = `frame ${moment.frame}, ${clockWords(moment.seconds)} after its beginning`;
    // its number is counted from the beginning of the recording, and the title has the attempt's own
    const step = moment.practice ? where({ ...moment.practice, attempt: null }) : "";
    put(row.words, [pastTitle(past), at, step].filter(Boolean).join("; "));
    put(row.note, moment.note);
    row.link.href = `/desk?past=${encodeURIComponent(past.id)}&place=${moment.place}`;
    label(row.link, `${side.toUpperCase()} on the desk`);
  });
}

const ask = pacer(paint);

// The choice

function offerSteps() {
  const step = pair.align.step ?? "";
  const known = [...new Set([...pair.steps, ...(step ? [step] : [])])];
  const options = [["", FIRST], ...known.map((name) => [`step ${name}`, `the step ${name}`]), ["expr", EXPRESSION]];
  fillOptions(byId("align"), options);
}

function alignment() {
  const { value } = byId("align");
  if (value.startsWith("step ")) return { step: value.slice(5) };
  const text = value === "expr" ? wellFormed(byId("turned").value.trim()) : "";
  return text === "" ? {} : { expr: text };
}

function choose(offset = null) {
  const [a, b] = ["a", "b"].map((side) => pasts.find(({ id }) => id === byId(side).value) ?? null);
  const align = alignment();
  const isExpression = byId("align").value === "expr";
  byId("align-box").hidden = !isExpression;
  wrong = align.expr ? tooLong(align.expr)?.message ?? "" : "";
  if (wrong) return ask();
  const all = { ...(a && { a: a.id }), ...(b && { b: b.id }), ...align };
  history.replaceState(null, "", `${address.pathname}?${new URLSearchParams(all)}`);
  return pair.choose(a, b, align, offset);
}

// One that ended otherwise, the newest first: what failed beside what worked.
function counterpart(one) {
  const others = pasts.filter((past) => past !== one);
  const worked = ({ outcome }) => outcome === "success";
  return others.find((past) => past.outcome && worked(past) !== worked(one)) ?? others[0];
}

poll("/past.json", 5000, (found) => {
  const fresh = JSON.stringify(found.pasts);
  if (fresh === listed) return;
  const isFirst = listed === "";
  listed = fresh;
  // what was chosen may have gone from the list, and is there all the same
  const chosen = [pair.a, pair.b].filter((past) => past && !found.pasts.some(({ id }) => id === past.id));
  pasts = [...found.pasts, ...chosen];
  for (const side of ["a", "b"]) fillOptions(byId(side), pasts.map((past) => [past.id, pastTitle(past)]));
  byId("choice").hidden = pasts.length === 0;
  if (!isFirst || pasts.length === 0) return ask();
  const of = (side) => pastOf(pasts, asked.get(side));
  const a = of("a") ?? pasts.find(({ kind }) => kind === "clip") ?? pasts[0];
  const b = of("b") ?? counterpart(a) ?? a;
  for (const past of [a, b]) if (!pasts.includes(past)) pasts.unshift(past);
  for (const side of ["a", "b"]) fillOptions(byId(side), pasts.map((past) => [past.id, pastTitle(past)]));
  [byId("a").value, byId("b").value] = [a.id, b.id];
  const [step, expr] = [asked.get("step"), asked.get("expr")];
  pair.align = step ? { step } : {};
  offerSteps();
  byId("align").value = step ? `step ${step}` : expr ? "expr" : "";
  byId("turned").value = expr ?? "";
  return choose(Number(asked.get("offset") ?? 0));
});
poll("/names.json", 30000, (value) => (names = value));

for (const id of ["a", "b"]) byId(id).addEventListener("change", () => choose());
byId("align").addEventListener("change", () => {
  choose();
  if (byId("align").value === "expr") byId("turned").focus();
});
new Combobox(byId("turned"), byId("offers"), () => names, (text, now) => now && choose());
slider.addEventListener("input", () => pair.to(Number(slider.value)));
onSliderKeys(slider, () => pair.second, (frames) => pair.by(frames));
byId("frame-back").addEventListener("click", () => pair.by(-1));
byId("frame-on").addEventListener("click", () => pair.by(1));

const goTo = (kind) => {
  const found = pair.found?.[kind];
  if (found) pair.to(found.offset);
};
keys(byId("keys"), byId("help"), byId("help-list"), byId("single"), byId("help-close"), [
  ["n", "night or day colours", turnTheme],
  ["f F", "a frame on, a frame back", (back) => pair.by(back ? -1 : 1)],
  ["0", "to where both are aligned", () => pair.to(0)],
  ["d", "to the first difference of watches", () => goTo("first")],
  ["m", "to the first difference in memory", () => goTo("memory")],
  ["1", "to Side by side", () => byId("pair-title").focus()],
  ["2", "to Watches", () => byId("readings-title").focus()],
], [
  ["← → Page Up Page Down Home End", "on the scrubber: a frame, a second, to either end"],
  ["Esc", "close the names; clear the field"],
  ["Tab", "to the next part"],
]);

ask();
setInterval(ask, 500);
