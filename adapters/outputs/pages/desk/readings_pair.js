// Each watch in two moments, those that differ first.

import { child, put } from "../shared/elements.js";
import { Keyed } from "../shared/keyed.js";
import { stateWords, valueText } from "../shared/words.js";

const DASH = "–";

function row() {
  const element = document.createElement("tr");
  const label = child(element, "", "th");
  label.scope = "row";
  label.dir = "auto";
  const sides = [0, 1].map(() => {
    const cell = child(element, "", "td");
    const value = child(cell, "value");
    const words = child(cell, "words");
    value.dir = words.dir = "auto";
    return { value, words };
  });
  return { element, label, sides, sign: child(element, "sign", "td") };
}

function isSame(a, b) {
  return a !== null && b !== null && a.status === b.status && valueText(a) === valueText(b);
}

// [{watch, label, a, b, same}] of two moments' readings, in the bridge file's order but for those
// that differ, which come first.
export function paired(one, other) {
  const names = [...new Set([...one, ...other].map(({ watch }) => watch))];
  const find = (readings, name) => readings.find(({ watch }) => watch === name) ?? null;
  const pairs = names.map((watch) => {
    const [a, b] = [find(one, watch), find(other, watch)];
    return { watch, label: (a ?? b).label, a, b, same: isSame(a, b) };
  });
  return [...pairs.filter(({ same }) => !same), ...pairs.filter(({ same }) => same)];
}

export class ReadingsPair {
  constructor(table, counted) {
    this.table = table;
    this.counted = counted;
    this.rows = new Keyed(table.tBodies[0], row);
  }

  show(pairs) {
    this.table.hidden = pairs.length === 0;
    const differ = pairs.filter(({ same }) => !same).length;
    put(this.counted, `${differ} of ${pairs.length} watches differ`);
    this.rows.show(pairs, ({ watch }) => watch, ({ element, label, sides, sign }, { label: words, a, b, same }) => {
      element.dataset.same = same ? "yes" : "no";
      put(label, words);
      for (const [i, reading] of [a, b].entries()) {
        put(sides[i].value, reading === null ? DASH : valueText(reading));
        put(sides[i].words, reading === null ? "no such watch" : stateWords(reading, 0));
      }
      put(sign, same ? "= same" : "≠ differs");
    });
  }
}
