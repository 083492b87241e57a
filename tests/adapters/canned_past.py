"""A recorded past that a test makes up, as the desk's server tells of it.

Whatever is asked of a place is made from its frame's number alone, so that a test knows all of it:
see ``canned_desk.snapshot``.
"""

from __future__ import annotations

import asyncio
import bisect
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from tests.adapters.canned_desk import answer, happened, practice, snapshot

Message = dict[str, Any]


@dataclass
class CannedPast:
    """``count`` frames from number ``first`` on, at 60 Hz; with ``resets`` the numbers start again.

    ``marks`` are (place, kind, words); expressions are looked for by ``turned``, which gives the
    places where each turned true.  A moment waits for ``gate`` where it has one.
    """

    name: str
    kind: str = "rolling"
    title: str = "the last 10 minutes"
    count: int = 3600
    first: int = 81_000
    attempt: int | None = None
    outcome: str | None = None
    ready: int | None = None
    fault: str = ""
    marks: list[tuple[int, str, str]] = field(default_factory=list)
    resets: list[int] = field(default_factory=list)
    turned: dict[str, list[int]] = field(default_factory=dict)
    shift: int = 0
    """What is added to a frame's number before its values are made."""
    asked: list[tuple[str, Message]] = field(default_factory=list)
    gate: Callable[[int], asyncio.Event | None] = lambda place: None

    def frame(self, place: int) -> int:
        before = [reset for reset in self.resets if reset <= place]
        return place - before[-1] if before else self.first + place

    def about(self) -> Message:
        return {
            "id": self.name, "kind": self.kind, "title": self.title, "attempt": self.attempt,
            "outcome": self.outcome,
        }  # fmt: skip

    def timeline(self) -> Message:
        starts = sorted({*range(0, self.count, 60), *self.resets})
        ready = self.count if self.ready is None else self.ready
        return {
            "id": self.name, "kind": self.kind, "title": self.title, "count": self.count,
            "ready": ready, "fault": self.fault, "rate": 60.0,
            "starts": [[place, self.frame(place), place / 60] for place in starts],
            "marks": [self._mark(*mark) for mark in self.marks if mark[0] < ready],
            "more_heap": False,
        }  # fmt: skip

    def _mark(self, place: int, kind: str, words: str) -> Message:
        made = {"place": place, "frame": self.frame(place), "kind": kind, "words": words}
        if kind == "outcome":
            ended = words.split(": ")[1].split(" at ")[0].replace(" ", "-")
            made["outcome"] = ended
        return made

    def moment(self, place: int) -> Message:
        number = self.frame(place) + self.shift
        made = snapshot(number)
        made |= {"place": place, "seconds": place / 60, "health": None, "note": ""}
        made["frame"] = self.frame(place)
        made["heap_events"] = happened(1 + number % 150)
        at = practice()
        last = {**at["last"], "attempt": number % 7}
        made["practice"] = {**at, "attempt": 1 + number % 7, "attempts": number % 7, "last": last}
        hit = number % 2 == 0
        made["readings"][1].update(
            text=f"kind {number}", target="hit" if hit else "miss", words="hit" if hit else "no"
        )
        return made

    async def reply(self, what: str, query: Message) -> Message:
        """What ``/past/NAME/WHAT.json`` gives."""
        self.asked.append((what, query))
        if what == "timeline":
            return self.timeline()
        place = int(query["place"])
        if what == "moment":
            if (event := self.gate(place)) is not None:
                await event.wait()
            return self.moment(place)
        if what == "answer":
            made = answer(query["expr"])
            if made["result"]:
                made["result"] = {**made["result"], "text": f"0x{self.frame(place):X}"}
            return {**made, "frame": self.frame(place)}
        if what == "events":
            return {"events": []}
        assert what == "next"
        return self._next(place, query)

    def _next(self, place: int, query: Message) -> Message:
        if "expr" in query:
            text = query["expr"]
            if "?" in text:
                error = {"message": "unexpected character", "at": text.index("?")}
                return {"place": None, "frame": None, "words": "", "error": error}
            places, words = self.turned.get(text, []), dict[int, str]()
            none = (
                f"{text} turned true nowhere {'after' if query['way'] == 'next' else 'before'} it"
            )
        else:
            kind = query["kind"]
            words = {at: said for at, sort, said in self.marks if sort == kind}
            places = sorted(words)
            none = f"no {kind} {'after' if query['way'] == 'next' else 'before'} it"
        if query["way"] == "next":
            at = bisect.bisect_right(places, place)
        else:
            at = bisect.bisect_left(places, place) - 1
        if not 0 <= at < len(places):
            return {"place": None, "frame": None, "words": none, "error": None}
        found = places[at]
        return {
            "place": found, "frame": self.frame(found), "words": words.get(found, ""), "error": None
        }  # fmt: skip


def rolling_past() -> CannedPast:
    """A minute with three attempts, their steps, heap events, a gap and a reset."""
    marks = []
    for number, (begin, end, outcome) in enumerate(
        [(120, 700, "success"), (900, 1500, "failed at turn"), (1800, 2300, "given up at write")], 1
    ):
        marks += [
            (begin, "attempt", f"attempt {number} begins"),
            (begin + 60, "step", "reach the pier"),
            (begin + 220, "step", "turn"),
            (end, "outcome", f"attempt {number}: {outcome}"),
        ]
    marks += [(at, "heap", f"reed freed, block {at % 13}") for at in range(40, 3600, 97)]
    marks += [(1650, "gap", "14 frames missed"), (3000, "reset", "the game began again")]
    marks.sort()
    return CannedPast(
        "rolling", marks=marks, resets=[3000], turned={"courier.held == 0": [500, 1000, 2000]}
    )


def clip(number: int, outcome: str, shift: int = 0) -> CannedPast:
    """An attempt's clip of ten seconds."""
    return CannedPast(
        f"clip-{number}", "clip", f"attempt {number}: {outcome}", count=600,
        first=90_000 + 1000 * number, attempt=number, outcome=outcome, shift=shift,
        marks=[(60, "attempt", f"attempt {number} begins"), (120, "step", "reach the pier"),
               (580, "outcome", f"attempt {number}: {outcome}")],
    )  # fmt: skip
