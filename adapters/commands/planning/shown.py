"""A plan on the terminal: its steps with frames, what each changes, the strip after it."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping, Sequence

from adapters.commands.console.heap_strip import HeapBar, strip
from adapters.commands.console.standard_streams import styled
from adapters.commands.planning.stretched import Scale, scale_of
from adapters.printable import printable
from adapters.words.plans import (
    alike,
    change_words,
    cost_words,
    proof_words,
    states_words,
)
from schemas.plan_file import BlockAt, PlanFile

__all__ = ["show_plan"]

_STYLES = {True: "bold cyan", False: "dim", None: "yellow"}
_INDENT = 4


def show_plan(plan: PlanFile) -> None:
    """Print all of it."""
    steps = len(plan.steps)
    print(printable(plan.title or "; ".join(goal.words for goal in plan.goals)))
    count = f"{steps} step{'s' * (steps != 1)}" if steps else "nothing needs to be done"
    print(f"{count}, {cost_words(plan.frames, plan.precise)}" if steps else count)
    print(printable(proof_words(plan.proof)))
    print()
    for line in _head(plan):
        print(printable(line))
    builds = []
    for first, *others in alike(plan):
        builds.append(first)
        if others:
            print(printable(f"{', '.join(others)}: the same blocks in the same order as {first}"))
    drawing = _Drawing(plan, builds)
    before = {build: start.blocks for build, start in plan.start.builds.items()}
    drawing.draw(before)
    states: Mapping[str, int] = plan.start.states
    for number, step in enumerate(plan.steps, 1):
        becomes = states_words(states, step.states)
        told = cost_words(step.frames, step.precise) + (f"; {becomes}" if becomes else "")
        print(printable(f"{number:2}. {step.action}: {told}"))
        for build in builds:
            on = f"{build}: " if len(builds) > 1 else ""
            changes = change_words(before[build], step.layouts[build])
            print(" " * _INDENT + printable(on + changes))
        drawing.draw(step.layouts)
        before, states = dict(step.layouts), step.states


def _head(plan: PlanFile) -> Iterator[str]:
    if plan.title:
        yield from (goal.words for goal in plan.goals)
    states = ", ".join(f"{name} is {value}" for name, value in plan.start.states.items())
    for build, start in plan.start.builds.items():
        yield f"{build}: {start.taken_from}" + (f"; {states}" if states else "")


class _Drawing:
    """Draws strips, all on the scale of their build, as wide as the terminal."""

    def __init__(self, plan: PlanFile, builds: Sequence[str]) -> None:
        from rich.console import Console

        # colours and the width are the terminal's; NO_COLOR and COLUMNS are obeyed
        self._console = Console(highlight=False, markup=False, emoji=False)
        self._plan = plan
        self._scales = {build: scale_of(plan, build) for build in builds}

    def draw(self, layouts: Mapping[str, Sequence[BlockAt]]) -> None:
        """One strip a build, with what is wanted marked below."""
        from rich.text import Text

        for build, scale in self._scales.items():
            if len(self._scales) > 1:
                print(" " * _INDENT + printable(build))
            width = self._console.width - _INDENT
            bar = strip(scale.as_blocks(layouts[build]), width)
            with styled(sys.stdout):
                for number, row in enumerate(bar.rows):
                    text = Text(" " * _INDENT)
                    for piece in row:
                        text.append(piece.text, _STYLES[piece.used])
                    self._console.print(text, soft_wrap=True)
                    for line in self._marks(build, scale, bar, number, width):
                        print(line)
        print()

    def _marks(self, build: str, scale: Scale, bar: HeapBar, row: int, width: int) -> Iterator[str]:
        columns = width * len(bar.rows)
        for goal in self._plan.goals:
            wanted = goal.spans.get(build, (goal.addresses.get(build, -1),))[0]
            if not scale.marks[0] <= wanted < scale.marks[-1]:
                continue
            column = scale.place(wanted) * columns // scale.length
            if column // width != row:
                continue
            words = printable(goal.kind or goal.sort)
            before = column % width
            if before + len(words) + 2 <= width:
                yield " " * (_INDENT + before) + f"^ {words}"
            else:
                yield " " * max(_INDENT + before - len(words) - 1, 0) + f"{words} ^"
