"""A player who follows a script: the game's memory frame by frame, and what that amounts to."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import Any

from bridge.evaluation.condition_view import ConditionView
from bridge.evaluation.evaluator import Evaluator
from bridge.memory.address_map import MemoryMap
from bridge.memory.image import Image
from bridge.practice.attempts import Attempt, Outcome
from bridge.prepared import memory_map, prepare
from bridge.sampling.practice_tracker import PracticeTracker, Rules
from schemas.loader import load_bridge
from tests.bridge.judge import Truth
from tests.bridge.made_practice import Remembering

NAMES = ("frame", "laps", "room", "corner", "turned", "door", "fell", "worth")
SCHEMA = (
    """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8000_0000, size = "4 KiB" } ]
[symbols]
"""
    + "".join(f'{name} = "u32"\n' for name in NAMES)
    + '[builds.print]\nrecognise = [ { at = 0x8000_0400, text = "TIDE 1.0" } ]\n'
    + "".join(f"at.{name} = {0x8000_0100 + 4 * n:#x}\n" for n, name in enumerate(NAMES))
)
HEAD = """
schema = "g.schema.toml"
[source]
kind = "fake"
[sampling]
frame = "frame"
[[watches]]
name = "half"
expr = "tally(worth, corner == 1)"
"""
STEPS_TABLES = """
[[steps]]
name = "to the corner"
done = "corner == 1"
fail = "fell == 1"
[[steps]]
name = "turn"
done = "change(turned) > 0"
fail = "fell == 1"
[[steps]]
name = "through the door"
done = "door == 1"
fail = "fell == 1"
"""
ATTEMPTS_TABLE = """
[attempts]
begins = "START"
given_up = "room == 9"
"""
Frame = Mapping[str, int]
"""A value of each of NAMES."""
STEPS = ("to the corner", "turn", "through the door")
TALLY = "tally(worth, corner == 1)"


class Story:
    """*frames* are the game's, each with the values of all places; *attempts* what they tell."""

    def __init__(self, seed: int, count: int) -> None:
        self._random = random.Random(seed)
        self._now: dict[str, int] = dict.fromkeys(NAMES, 0)
        self.frames: list[dict[str, int]] = []
        self.attempts: list[Truth] = []
        self.moments: Counter[int] = Counter()
        self._idle(3)
        again = False
        for number in range(count):
            again = self._attempt(again, last=number == count - 1)
        self._idle(8)
        # one whole attempt at the end, so that what was missed before has something to stand at
        self._attempt(False, last=True)
        self._idle(2)

    @property
    def number(self) -> int:
        """The frame that was made last."""
        return len(self.frames)

    @property
    def last_frames(self) -> set[int]:
        """Those of the last attempt and a few before it."""
        return set(range(self.attempts[-1].began - 5, self.number + 1))

    def _frame(self, **values: int) -> None:
        before = self._now["corner"]
        self._now |= values
        self._now["frame"] = len(self.frames) + 1
        self._now["worth"] = self._random.randrange(4)
        if self._now["corner"] and not before and self.frames:
            self.moments[self._now["worth"]] += 1
        self.frames.append(dict(self._now))

    def _idle(self, count: int) -> None:
        for _ in range(count):
            self._frame(door=0, fell=0)

    def _attempt(self, open_one: bool, *, last: bool) -> bool:
        """One attempt; gives whether it is still open, so that the next start ends it.

        The frame of the start is this attempt's first; where *open_one*, it ended the one before.
        """
        chance = self._random
        # a state that is loaded makes fail true of what it leaves, or not
        fell = chance.randrange(2) if open_one else 0
        self._frame(laps=self._now["laps"] + 1, room=1, corner=0, door=0, fell=fell)
        began = self.number
        if open_one:
            self._close(began, Outcome.GIVEN_UP, again=True)
        self._open_began = began
        self._results: list[tuple[str, int]] = []
        self._entered = began
        self._step = 0
        kind = chance.choice(("success", "success", "fail", "fail", "give up", "again"))
        if last:
            kind = "success"
        stops_at = 3 if kind == "success" else chance.randrange(3)
        while self._step < stops_at:
            for _ in range(chance.randrange(4)):
                self._frame(fell=0, room=2)
            done: dict[str, int] = [
                {"corner": 1},
                {"turned": self._now["turned"] + 1},
                {"door": 1},
            ][self._step]
            self._frame(fell=0, room=2, **done)
            self._result("done")
        if kind != "success":
            for _ in range(chance.randrange(4)):
                self._frame(fell=0, room=2)
        if kind == "success":
            self._close(self.number, Outcome.SUCCESS)
        elif kind == "fail":
            self._frame(fell=1)
            self._close(self.number, Outcome.FAILED)
        elif kind == "give up":
            self._frame(room=9, fell=0)
            self._close(self.number, Outcome.GIVEN_UP)
        if kind == "again":
            self._frame(fell=0, room=2)
            return True
        for _ in range(chance.randrange(1, 4)):
            self._frame(fell=0, door=0, room=0)
        return False

    def _result(self, outcome: str) -> None:
        self._results.append((outcome, self.number - self._entered))
        self._entered = self.number
        self._step += 1

    def _close(self, ended: int, outcome: Outcome, *, again: bool = False) -> None:
        step = "" if outcome is Outcome.SUCCESS else STEPS[self._step]
        if outcome is not Outcome.SUCCESS:
            self._result(str(outcome))
        attempt = Truth(
            *(self._open_began, ended, outcome, step, again, tuple(self._results)),
        )
        self.attempts.append(attempt)


def practice(start: str) -> str:
    """The tables of a bridge file that follow a story, whose attempts begin where *start* does."""
    return STEPS_TABLES + ATTEMPTS_TABLE.replace("START", start)


class Watched:
    """A story as it is told where only some frames are taken."""

    def __init__(self, directory: Path, practice: str) -> None:
        (directory / "g.schema.toml").write_text(SCHEMA, "utf-8")
        path = directory / "g.bridge.toml"
        path.write_text(HEAD + practice, "utf-8")
        self._bridge = load_bridge(path)
        (self._plan,) = prepare(self._bridge).values()
        self._memory: MemoryMap = memory_map(self._bridge.schema)
        self.moments: list[tuple[str, str, Any]] = []
        self.apart: list[tuple[str, str, Any]] = []

    def told(self, frames: Sequence[Frame], missed: Collection[int]) -> list[Attempt]:
        """The attempts of a story, of which the frames with the numbers *missed* are not taken."""
        keeper = Remembering()
        self.moments, self.apart = keeper.moments, keeper.apart
        practising = PracticeTracker(Rules.of(self._bridge.file), keeper)
        evaluator = Evaluator(self._plan.program, self._plan.layout, self._memory, whole=True)
        memory = bytearray(self._memory.flat_size)
        for frame in frames:
            if frame["frame"] in missed:
                continue
            for number, name in enumerate(NAMES):
                at = 0x100 + 4 * number
                memory[at : at + 4] = frame[name].to_bytes(4, "big")
            image = Image.of(self._memory, [bytes(memory)])
            assert evaluator.evaluate(image, frame["frame"]) == set()
            evaluator.commit()
            practising.take(ConditionView(evaluator), 0.0, list, ticks=frame["frame"] / 60)
        practising.cut_off("the story is over")
        return keeper.ends
