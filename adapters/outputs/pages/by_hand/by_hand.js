// The page for a phone beside the console: one question after another, and keys to answer it.

import "../shared/address.js";
import { child, put } from "../shared/elements.js";
import { themeButton } from "../shared/theme.js";
import { Digits } from "./digits.js";
import { ReachedList, showPlace, showSum, sizeText } from "./shown.js";

const EVERY = 1000; // another phone may answer meanwhile
const FEW = 12;
const KEYS = ["0", "1", "2", "3", "4", "5", "6", "7", "8", "9", "A", "B", "C", "D", "E", "F"];
const SAID = {
  "": () => "",
  taken: (words) => words,
  doubted: () => "",
  refused: (words) => `not taken: ${words}`,
};
const WORDS = { decimal: "decimal number", names: "list of names" };
const LOST = "no connection to lowhalf";

const part = (name) => document.getElementById(name);
let told = null;
let busy = false;
let sent = 0;
let heard = 0;
let asked = "";

const digits = new Digits(part("typed"), () => offer());
const list = new ReachedList(part("reached"), (watch) => say("again", watch));
const keys = {};
for (const digit of KEYS) key(digit, digit, () => digits.type(digit));
key("back", "Del", () => digits.back()).setAttribute("aria-label", "delete the last digit");
key("undo", "Undo", () => say("undo"));
key("take", "Take it", take).classList.add("take");

function key(name, words, does) {
  const button = child(part("pad"), words.length > 1 ? "wide" : "", "button");
  button.type = "button";
  put(button, words);
  button.addEventListener("click", does);
  keys[name] = button;
  return button;
}

// Which keys do something now.
function offer() {
  if (!("take" in keys)) return;
  keys.take.setAttribute("aria-disabled", String(!digits.complete));
  keys.back.setAttribute("aria-disabled", String(digits.text === ""));
  keys.undo.setAttribute("aria-disabled", String(!told?.can_undo));
}

function take() {
  if (!digits.complete) return;
  digits.refused(); // another question forgets that
  // as the console shows them: bytes in the order of their addresses
  say("answer", digits.text.match(/../g).join(" "));
}

function show() {
  const { question, doubt } = told;
  document.body.dataset.state = doubt ? "doubt" : question ? "asking" : "done";
  const count = told.answered.length;
  put(part("number"), question ? `Question ${question.number}, moment ${told.moment}` : `${count} answered, moment ${told.moment}`);
  put(part("words"), question ? question.words : told.stuck || "Nothing more is asked.");
  put(part("for"), question ? `for ${question.needed_by.join(", ")}` : "");
  put(part("hint"), question?.hint ?? "");
  put(part("size"), question ? sizeText(question) : "");
  const now = question ? `${question.number} ${question.address} ${question.size}` : "";
  if (now !== asked) {
    asked = now;
    digits.begin(question?.size ?? 0);
    showPlace(part("place"), question ? question.address : null);
    part("other").value = "";
  }
  part("sum").hidden = !question?.sum;
  if (question?.sum) {
    const last = question.sum.steps.at(-1);
    put(part("sum-title"), `${question.sum.base} ${question.sum.steps[0].before}: how it adds up to ${last.after}`);
    showSum(part("sum-digits"), question.sum);
  }
  const forms = (question?.answers ?? []).filter((form) => form !== "hexadecimal");
  part("otherwise").hidden = forms.length === 0;
  put(part("other-label"), `or as a ${forms.map((form) => WORDS[form] ?? form).join(" or a ")}`);
  showNames(question);
  part("doubt").hidden = !doubt;
  if (doubt) put(part("doubt-words"), `${doubt.words} is odd: ${doubt.why}`);
  part("said").dataset.outcome = told.outcome;
  put(part("said"), SAID[told.outcome](told.said));
  part("skip").hidden = !question;
  list.show(told.reached);
  offer();
}

// The names of an enumeration are buttons, if they are few; those of flags may stand together.
function showNames(question) {
  const names = question?.names ?? [];
  const few = names.length <= FEW && question?.answers.includes("name");
  part("chosen").replaceChildren();
  part("names").replaceChildren();
  for (const name of few ? names : []) {
    const button = child(part("chosen"), "", "button");
    button.type = "button";
    put(button, name);
    button.addEventListener("click", () => say("answer", `=${name}`));
  }
  for (const name of few ? [] : names) child(part("names"), "", "option").value = name;
}

async function hear(request) {
  sent += 1;
  const mine = sent;
  try {
    const answer = await request;
    const given = await answer.json();
    // what was asked before, and came late, is how it was before
    if (mine < heard) return;
    heard = mine;
    if (!("revision" in given)) throw new Error(given.error);
    const late = answer.status === 409;
    if (told === null || late || given.revision !== told.revision || given.said !== told.said) {
      told = given;
      show();
    }
    if (late) put(part("said"), "somebody else was quicker: look again");
  } catch {
    document.body.dataset.state = told === null ? "connecting" : document.body.dataset.state;
    part("said").dataset.outcome = "refused";
    put(part("said"), LOST);
    if (told !== null) told.said = LOST;
  }
}

async function say(what, text = "") {
  if (busy || told === null) return;
  busy = true;
  const query = new URLSearchParams({ text, revision: told.revision });
  await hear(fetch(`/by-hand/${what}?${query}`, { method: "POST" }));
  busy = false;
}

async function look() {
  if (!busy && !document.hidden) await hear(fetch("/by-hand.json"));
}

part("confirm").addEventListener("click", () => say("confirm"));
part("correct").addEventListener("click", () => say("correct"));
part("frame").addEventListener("click", () => say("changed", "frame"));
part("room").addEventListener("click", () => say("changed", "room"));
part("skip").addEventListener("click", () => say("skip"));
part("otherwise").addEventListener("submit", (event) => {
  event.preventDefault();
  const text = part("other").value.trim();
  // here digits are a number, whatever their count: the keys are for what the console shows
  if (text !== "") say("answer", /^[0-9]+$/.test(text) && told.question.answers.includes("decimal") ? `+${text}` : text);
});
addEventListener("keydown", (event) => {
  if (event.target === part("other") || event.ctrlKey || event.altKey || event.metaKey) return;
  const focused = event.target instanceof HTMLButtonElement || event.target.tagName === "SUMMARY";
  if (event.key === "Backspace") digits.back();
  else if (event.key === "Enter" && !focused) take();
  else digits.type(event.key);
});
themeButton(part("theme"));
look();
setInterval(look, EVERY);
