// Single keys outside of text fields, and the list of all keys.  WCAG 2.2, success criterion 2.1.4,
// asks that they can be turned off; that is remembered.

import { child, put } from "../shared/elements.js";
import { keep, kept } from "../shared/memory.js";

function isTyping(target) {
  return target.closest?.("input:not([type=range]), textarea, select, [contenteditable]") !== null;
}

const WALKS = [
  ["↑ ↓ Home End", "from watch to watch"],
  ["Enter", "show the working of a watch; in the expression, work it out"],
  ["↓ or Ctrl + space", "in the expression: names that could stand there"],
  ["Esc", "close the names; clear a field; from a watch back to the search"],
  ["← → Page Up Page Down Home End", "on the scrubber: a frame, a second, to either end"],
  ["Tab", "to the next part"],
];

// *actions* are [keys, words, function], which is told whether it was with Shift.  Gives a function
// for further ones, which come before these and are not repeated while the key is held.
export function keys(button, dialog, list, single, close, actions, walks = WALKS) {
  const known = new Map(actions.flatMap(([names, , run]) => names.split(" ").map((key) => [key, run])));
  const further = new Map();
  const write = (more) => {
    list.replaceChildren();
    const others = actions.filter(([names]) => !further.has(names));
    for (const [key, words] of [...more, ...others, ["?", "this list"], ...walks]) {
      const name = child(list, "", "dt");
      put(child(name, "", "kbd"), key);
      put(child(list, "", "dd"), words);
    }
  };
  write([]);
  single.checked = kept("single-keys") !== "off";
  single.addEventListener("change", () => keep("single-keys", single.checked ? "on" : "off"));
  const help = () => dialog.showModal();
  button.addEventListener("click", help);
  close.addEventListener("click", () => dialog.close());
  known.set("?", help);
  addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || event.defaultPrevented) return;
    if (!single.checked || dialog.open || isTyping(event.target)) return;
    const run = further.get(event.key) ?? known.get(event.key);
    if (run === undefined) return;
    event.preventDefault();
    if (!event.repeat || !further.has(event.key)) run(event.shiftKey);
  });
  return (more) => {
    further.clear();
    for (const [key, , run] of more) further.set(key, run);
    write(more);
  };
}
