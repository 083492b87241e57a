"""Frames of which every value tells its own verdict, and a script that looks at a page with them.

A page may show a value only beside the shape, colour and words of the same frame (in DESIGN:
"what is shown is true").  The frames here are made so that whoever sees a value, knows the rest:
the verdict follows from the value by arithmetic, and not from what lowhalf says of it.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from dataclasses import replace

from bridge.heap.blocks import Block, Heap
from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.progress import Phase, Practice
from bridge.practice.totals import Rate, Score
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status
from bridge.values.target import near
from bridge.values.value_type import FLOAT, INTEGER
from tests.adapters.made_frames import U16, frame, good

LANES = [
    Watch(f"lane_{i}", f"Lane {i}", f"lanes[{i}]", FLOAT, "fixed:2", near(120.0, 0.5, FLOAT))
    for i in range(6)
]
COUNT = Watch("count", "Count", "count", INTEGER)
HELD = Watch("held", "Held", "block(held).index", U16)


def told_frame(number: int, chance: random.Random) -> Frame:
    """Hits, misses, absent values and warned ones, in any order, at any pace.

    A value with an odd last digit is a warned one.  Of the step, the attempts and the block held,
    each follows from the number of the attempt.
    """
    readings = [good(COUNT, number)]
    for lane in LANES:
        where = chance.choice((120.0, 120.0, 117.24, 120.3, 121.0, 95.5, 95.6, None, None, 119.71))
        if where is None:
            readings.append(Reading(lane, Status.NULL, reason="lanes is null"))
            continue
        warned = round(where * 100) % 2 == 1
        status = Status.FREED if warned else Status.OK
        readings.append(Reading(lane, status, where, reason="freed" if warned else ""))
    attempt = 1 + number // 7
    step = 1 + attempt % 3
    last = Attempt(attempt - 1, "export", 1, 1.0, Outcome.FAILED, f"step {step}", frames=80)
    practice = Practice(
        *(Phase.RUNNING, f"step {step}", step, 3, 0, f"hint {step}" if step > 1 else ""),
        *("", attempt, 0),
        last=last,
        score=Score(Rate(attempt // 2, attempt), attempt, 0),
    )
    blocks = [
        Block(0x1010 + 0x100 * i, 0xF0, i != attempt % 8, i, f"owner {attempt}", 0x1000 + 0x100 * i)
        for i in range(8)
    ]
    made = frame(number, [*readings, good(HELD, attempt % 8)])
    return replace(made, practice=practice, heap=Heap(blocks))


def frames(seed: int = 7) -> Iterator[Frame]:
    chance = random.Random(seed)
    number = 0
    while True:
        number += 1
        made = told_frame(number, chance)
        # some stay for a while, as a runner who has come to rest
        for _ in range(chance.choice((1, 1, 1, 2, 5, 20))):
            yield made


LOOK = """
(colours => {
  const truth = window.truth = {frames: 0, looks: 0, verdicts: {}, wrong: []};
  const text = (root, part) => root.querySelector(part)?.textContent ?? null;
  function expected(value) {
    if (value === "–") {
      return {status: "null", target: "unknown", mark: "absent", words: /^nothing there/, at: null};
    }
    const number = Number(value);
    const hundredths = Math.round(number * 100);
    const hit = Math.abs(hundredths - 12000) <= 50;
    const warned = hundredths % 2 === 1;
    const way = ((12000 - hundredths) / 100).toFixed(2);
    const aim = hit ? "hit" : `${way > 0 ? "+" : ""}${way} to go`;
    return {
      status: warned ? "freed" : "ok", target: hit ? "hit" : "miss",
      mark: warned ? "warning" : hit ? "hit" : "miss",
      words: warned ? `freed, ${aim}` : aim, at: Math.sign(hundredths - 12000), hit,
    };
  }
  function lane(row) {
    const value = text(row, ".value");
    const {status, target, mark} = row.dataset;
    const words = text(row, ".words");
    const gauge = row.querySelector(".gauge");
    const wanted = expected(value);
    truth.verdicts[mark] = (truth.verdicts[mark] ?? 0) + 1;
    truth.looks++;
    const found = {value, status, target, mark, words};
    const said = wanted.words instanceof RegExp ? wanted.words.test(words)
      : words === wanted.words || words.startsWith(`${wanted.words}: `)
        || (mark === "warning" && words === `${wanted.words}; note 1`);  // which several share
    let right = said && status === wanted.status && target === wanted.target
      && mark === wanted.mark;
    if (gauge) {
      const at = parseFloat(gauge.style.getPropertyValue("--at"));
      found.at = gauge.hasAttribute("data-empty") ? null : at;
      right &&= wanted.at === null ? found.at === null : Math.sign(found.at) === wanted.at;
    }
    if (colours !== null) {
      found.colour = getComputedStyle(row.querySelector(".value")).color;
      const kind = wanted.status === "null" ? "absent" : wanted.hit ? "hit" : "text";
      right &&= found.colour === colours[kind];
    }
    if (!right) truth.wrong.push(found);
  }
  function practice() {
    const place = document.querySelector("#steps .where");
    if (!place?.textContent) return;
    const where = /^attempt (\\d+): step (\\d) of 3, (step \\d)/;
    const [, attempt, step, name] = place.textContent.match(where) ?? [];
    const dashes = [...document.querySelectorAll("#steps .dash")]
      .map(({dataset}) => dataset.state).join(" ");
    const hint = text(document, "#steps .hint");
    const rate = text(document, "#attempts .rate"), past = text(document, "#attempts .past");
    const ahead = ["now ahead ahead", "done now ahead", "done done now"];
    const n = Number(attempt), s = 1 + n % 3;
    const right = Number(step) === s && name === `step ${s}` && dashes === ahead[s - 1]
      && hint === (s > 1 ? `hint ${s}` : "")
      && rate.startsWith(`${Math.floor(n / 2)} of ${n} attempts`)
      && past === `last failed at step ${s}`;
    truth.looks++;
    if (!right) truth.wrong.push({place: place.textContent, dashes, hint, rate, past});
    const note = text(document, "#heap .note");
    if (!note) return;
    const held = note === `Held: block ${n % 8} of 8, owner ${n}; 8 blocks, 13 % free`;
    const drawn = document.querySelector(".strip").getAttribute("aria-label") === `heap: ${note}`;
    if (!held || !drawn) truth.wrong.push({place: place.textContent, note});
  }
  function look() {
    truth.frames++;
    for (const row of document.querySelectorAll("[data-watch^=lane_]")) lane(row);
    practice();
    requestAnimationFrame(look);
  }
  requestAnimationFrame(look);
  return 0;
})
"""


def look(colours: dict[str, str] | None = None) -> str:
    """The script; *colours* are those that text, a hit and an absent value have without a fade."""
    return f"({LOOK.strip()})({json.dumps(colours)})"
