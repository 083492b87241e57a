// What is asked: a watch that was chosen or an expression that was typed, and the newest answer.

import { child, put } from "../shared/elements.js";
import { stream } from "../shared/live.js";
import { hasValue } from "../shared/words.js";
import { Bytes } from "./bytes.js";
import { Combobox } from "./combobox.js";
import { Course, digits } from "./course.js";
import { Keep } from "./keep.js";
import { Room } from "./room.js";
import { wellFormed } from "./toml.js";
import { WrongText } from "./wrong_text.js";

const PAUSE = 250; // milliseconds after the last letter
const PATIENCE = 300; // so long what was answered before stays, so that nothing jumps
const LONGEST = 400; // characters; the server takes no more

export const HINTS = {
  live: "any expression, worked out on the running game; choose a watch to see its own",
  past: "any expression, worked out on the moment that is shown; choose a watch to see its own",
};

export function tooLong(text) {
  const { length } = [...text];
  if (length <= LONGEST) return null;
  return { message: `has ${length} characters; at most ${LONGEST} are worked out: split it into watches`, at: LONGEST };
}

export class Working {
  // *ready* asks for a painting; *names* gives what /names.json said, *watches* all names, *linked*
  // whether lowhalf is there.  *asking* is told what is asked, null where nothing is.
  constructor(parts, { ready, names, watches, unmark, linked, asking }) {
    this.parts = parts;
    this.ready = ready;
    this.unmark = unmark;
    this.isThere = linked;
    this.asking = asking;
    this.box = new Combobox(parts.ask, parts.offers, names, (text, now) => this.typed(text, now));
    this.course = new Course(parts.course);
    this.bytes = new Bytes(parts.bytes);
    this.keep = new Keep(parts.keep, watches);
    this.room = new Room(parts.room, parts.answer);
    this.shown = null; // whose room it is
    this.title = child(parts.result, "of", "p");
    this.title.dir = "auto";
    this.expression = child(parts.result, "expression", "p");
    this.expression.dir = "ltr";
    this.value = child(parts.result, "answer", "p");
    this.value.dir = "auto";
    this.state = child(parts.result, "state", "p");
    this.state.dir = "auto";
    this.wrong = new WrongText(parts.fault);
    this.moment = null; // the past moment that is shown, whose answer stands here
    this.subject = null; // {text, label, expression}
    this.answer = null;
    this.refused = false;
    this.asked = -Infinity;
    this.timer = 0;
    this.stop = () => {};
  }

  choose(reading) {
    this.box.set("");
    this.ask({ text: reading.watch, label: reading.label, expression: reading.expression ?? "" });
  }

  typed(text, now) {
    clearTimeout(this.timer);
    const asked = wellFormed(text.trim());
    const run = () => {
      this.unmark();
      this.ask(asked === "" ? null : { text: asked, label: "", expression: asked });
    };
    if (now) run();
    else this.timer = setTimeout(run, PAUSE);
  }

  ask(subject) {
    if (subject?.text === this.subject?.text && subject?.label === this.subject?.label) return;
    this.stop();
    this.stop = () => {};
    this.subject = subject;
    this.answer = null;
    this.linked = this.refused = false;
    this.asked = performance.now();
    const error = subject === null ? null : tooLong(subject.text);
    this.asking(subject === null || error !== null ? null : subject.text);
    if (error !== null) {
      this.answer = { error };
    } else if (subject !== null) {
      this.stop = stream(
        `/ask?expr=${encodeURIComponent(subject.text)}`,
        (answer) => {
          this.answer = answer;
          this.ready();
        },
        (linked) => {
          this.linked = linked;
          this.refused ||= !linked;
          this.ready();
        },
      );
      setTimeout(this.ready, PATIENCE);
    }
    this.ready();
  }

  // Of a past *moment* {asked, answer}, or live.
  paint(moment = null) {
    const { subject, parts } = this;
    const turned = moment !== this.moment;
    this.moment = moment;
    const answer = this.answerNow();
    const early = performance.now() - this.asked < PATIENCE;
    if (subject !== null && answer === null && early && !turned) return;
    put(parts.hint, moment === null ? HINTS.live : HINTS.past);
    if (this.shown !== subject) this.room.reset();
    this.shown = subject;
    this.room.settle();
    parts.hint.hidden = subject !== null;
    parts.result.hidden = subject === null || Boolean(answer?.error);
    this.showFault(answer?.error ?? null);
    const linked = this.linked || moment !== null;
    this.keep.of(subject !== null && answer !== null && !answer.error ? subject.expression : "");
    put(this.title, subject?.label ?? "");
    put(this.expression, subject?.expression ?? "");
    const result = answer?.error ? null : answer?.result ?? null;
    const text = result === null ? "" : result.text || (result.status === "ok" ? "" : "–");
    put(this.value, text);
    put(this.state, this.words(answer, result));
    const valued = result === null || hasValue(result.status);
    const state = valued ? "ok" : "absent";
    parts.result.dataset.state = linked || subject === null ? state : "absent";
    this.course.show(answer && !answer.error ? answer.steps : []);
    this.bytes.show(answer && !answer.error ? answer.strip : null);
  }

  // What is too long is asked nowhere.
  answerNow() {
    if (this.moment === null || this.answer?.error) return this.answer;
    return this.moment.asked === (this.subject?.text ?? null) ? this.moment.answer : null;
  }

  words(answer, result) {
    if (this.subject === null) return "";
    if (answer === null) return this.waitingWords();
    const lost = this.linked || this.moment !== null ? "" : "no connection, this was the last answer";
    if (result === null) return [answer.note, lost].filter(Boolean).join("; ");
    const status = result.status === "ok" ? "" : result.status;
    const kind = result.type ?? "";
    const hex = result.hex && digits(result.hex) !== digits(result.text) ? result.hex : "";
    const reason = result.reason && result.reason !== answer.note ? result.reason : "";
    return [lost, status, reason, kind, hex, answer.note].filter(Boolean).join(" · ");
  }

  waitingWords() {
    if (this.moment !== null) return "asked of this moment";
    if (!this.isThere()) return "no connection to lowhalf; it is asked again";
    if (!this.refused) return "asked";
    return "no answer; where many questions are open already, it is asked again until one is closed";
  }

  showFault(error) {
    this.parts.ask.setAttribute("aria-invalid", String(error !== null && this.subject?.label === ""));
    this.wrong.show(error, this.subject?.text ?? "");
  }
}
