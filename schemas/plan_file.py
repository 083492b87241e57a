"""The plan file: actions one after another, and what the heap is to be like after each.

``NAME.plan.toml``.  Layouts stand a line a block, so that two plans are compared line by line.
Addresses are those of payloads, and sizes bytes of payload, as ``lowhalf heap`` tells them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from schemas.errors import PlanFileError
from schemas.layout_file import BlockTable, block_lines
from schemas.seen_letters import toml_string
from schemas.table import Table
from schemas.toml_file import TomlText

__all__ = [
    "BlockAt",
    "BuildStart",
    "GoalTable",
    "MadeForTable",
    "PlanFile",
    "ProofTable",
    "StartTable",
    "StepTable",
    "Verdict",
    "load_plan",
    "plan_text",
]

_HEAD = """\
# A plan: these actions, one after another, bring the heap to where it is wanted.  Addresses are
# those of payloads and sizes bytes of payload, as lowhalf heap tells them.
"""
_Address = Annotated[int, Field(ge=0, lt=1 << 64)]
_Frames = Annotated[int, Field(ge=0)]
Verdict = Literal["cheapest", "impossible", "none within the bound", "cut short"]


class BlockAt(Table):
    """A block where it lies."""

    start: _Address = Field(description="guest address of its payload")
    size: Annotated[int, Field(ge=0, lt=1 << 64)] = Field(description="bytes of payload")
    used: bool = Field(description="whether it is handed out")
    owner: str = Field(min_length=1, description='what lives there, such as "gull"; "free"')
    age: int | None = Field(
        None, description="a newer block has a greater number; left out where it is not known"
    )


_Blocks = Annotated[tuple[BlockAt, ...], Field(strict=False, min_length=1)]
_Pair = Annotated[tuple[_Address, _Address], Field(strict=False)]


class MadeForTable(Table):
    """What of the schema the plan was made for, as digests: where one differs, it is another."""

    actions: str = Field(description="digest of the actions and states")
    builds: dict[str, str] = Field(
        min_length=1, description="of each build that of its allocator and of the kinds' sizes"
    )


class GoalTable(Table):
    """What the plan is to bring about; all of its goals hold in the end, on every build."""

    sort: Literal["placed", "covered", "freed", "uncovered", "laid out"] = Field(
        description="placed: a block starts there; covered: a block's payload holds the address; "
        "freed: a hole covers it; uncovered: no used block does; laid out: the heap is as a layout"
    )
    words: str = Field(description="the goal in words")
    given: str = Field("", description="the goal as it was asked for")
    kind: str | None = Field(None, description="the block's kind; left out, any")
    spans: dict[str, _Pair] = Field(
        {}, description="placed: lowest and highest address of the payload on each build"
    )
    addresses: dict[str, _Address] = Field(
        {}, description="covered, freed, uncovered: the address on each build"
    )
    layouts: dict[str, Annotated[tuple[BlockTable, ...], Field(strict=False)]] = Field(
        {}, description="laid out: the blocks wanted on each build, as in a layout file"
    )

    @model_validator(mode="after")
    def _as_its_sort(self) -> GoalTable:
        wanted = {"placed": "spans", "laid out": "layouts"}.get(self.sort, "addresses")
        for name in ("spans", "addresses", "layouts"):
            if bool(getattr(self, name)) != (name == wanted):
                need = "needs" if name == wanted else "has no"
                raise ValueError(f'a goal that is "{self.sort}" {need} {name}')
        return self

    def builds(self) -> set[str]:
        """The builds that it is told for."""
        return {*self.spans, *self.addresses, *self.layouts}


class BuildStart(Table):
    """The heap of one build before the first action."""

    taken_from: str = Field(description="where this heap was read, or from which it was derived")
    arena: _Pair = Field(description="the arena's first address, and the one behind its last")
    rover: _Address | None = Field(
        None, description="where next fit goes on; left out where it is not known"
    )
    held: _Address | None = Field(
        None, description="payload of the block that is held; left out where none is"
    )
    blocks: _Blocks = Field(description="every block, in the order of addresses")


class StartTable(Table):
    """How things stand before the first action."""

    states: dict[str, int] = Field({}, description="each state of the schema that planning needs")
    builds: dict[str, BuildStart] = Field(min_length=1, description="the heap of each build")


class StepTable(Table):
    """One action, and what the heap of each build is like after it."""

    action: str = Field(min_length=1, description="name in [actions]")
    frames: _Frames = Field(description="what it takes")
    precise: _Frames = Field(0, description="how many of its inputs must be right to the frame")
    states: dict[str, int] = Field({}, description="the states after it")
    layouts: dict[str, _Blocks] = Field(description="every block of each build after it")


class ProofTable(Table):
    """How sure it is that nothing is cheaper."""

    verdict: Verdict = Field(description="cheapest: no sequence is cheaper")
    floor: _Frames | None = Field(
        None, description="no sequence takes fewer frames; left out where none is possible"
    )
    reason: str = Field("", description="why, in words")


class PlanFile(Table):
    """A plan and what it was made for."""

    game: str = Field(min_length=1, description="the game's name, as in its schema")
    title: str = Field("", description="its name for people")
    heap: str = Field("", description="name of the one of [heaps] that it is in; left out, [heap]")
    frames: _Frames = Field(description="frames of all steps")
    precise: _Frames = Field(0, description="inputs of all steps that must be right to the frame")
    avoid: tuple[str, ...] = Field((), strict=False, description="actions that must not be used")
    most_precise: _Frames | None = Field(
        None, description="the bound of inputs that must be right to the frame; left out, none"
    )
    made_for: MadeForTable = Field(description="digests of what of the schema it was made for")
    proof: ProofTable = Field(description="how sure it is that nothing is cheaper")
    goals: Annotated[tuple[GoalTable, ...], Field(strict=False, min_length=1)] = Field(
        description="what it is to bring about"
    )
    start: StartTable = Field(description="how things stand before the first action")
    steps: tuple[StepTable, ...] = Field((), strict=False, description="the actions, in order")

    @model_validator(mode="after")
    def _of_one_piece(self) -> PlanFile:
        for what, names in self._builds():
            if set(names) != set(self.start.builds):
                found = ", ".join(sorted(names)) or "none"
                expected = ", ".join(self.start.builds)
                raise ValueError(f"{what}: expected the builds of start, {expected}; found {found}")
        for build, start in self.start.builds.items():
            _check_tiled(f"start.builds.{build}.blocks", start.blocks, start.arena)
            for number, step in enumerate(self.steps):
                _check_tiled(f"steps.{number}.layouts.{build}", step.layouts[build], start.arena)
        for name in ("frames", "precise"):
            added = sum(getattr(step, name) for step in self.steps)
            if added != getattr(self, name):
                raise ValueError(
                    f"{name}: expected the sum of the steps, {added}, found {getattr(self, name)}"
                )
        return self

    def _builds(self) -> Iterator[tuple[str, Iterable[str]]]:
        yield "made_for.builds", self.made_for.builds
        for number, goal in enumerate(self.goals):
            yield f"goals.{number}", goal.builds()
        for number, step in enumerate(self.steps):
            yield f"steps.{number}.layouts", step.layouts


def _check_tiled(what: str, blocks: Sequence[BlockAt], arena: tuple[int, int]) -> None:
    """Raises ValueError where blocks are not one behind the other in the arena."""
    end, high = arena
    for block in blocks:
        if block.start < end or block.start + block.size > high:
            where = "before the end of what comes before" if block.start < end else "past the arena"
            raise ValueError(f"{what}: the block at 0x{block.start:08X} lies {where}")
        end = block.start + block.size


def load_plan(path: Path) -> PlanFile:
    """Read and check a plan file.  Raises PlanFileError with file, key and line."""
    return TomlText.read(path, PlanFileError).model(PlanFile)


def plan_text(plan: PlanFile) -> str:
    """The file's text; reading it gives the same plan again."""
    return _HEAD + "\n".join([*_lines(plan), ""])


def _lines(plan: PlanFile) -> Iterator[str]:
    yield f"game = {toml_string(plan.game)}"
    if plan.title:
        yield f"title = {toml_string(plan.title)}"
    if plan.heap:
        yield f"heap = {toml_string(plan.heap)}"
    yield f"frames = {plan.frames}"
    yield f"precise = {plan.precise}"
    if plan.avoid:
        yield f"avoid = [{', '.join(map(toml_string, plan.avoid))}]"
    if plan.most_precise is not None:
        yield f"most_precise = {plan.most_precise}"
    yield from ("", "[made_for]", f"actions = {toml_string(plan.made_for.actions)}")
    yield f"builds = {_inline({n: toml_string(d) for n, d in plan.made_for.builds.items()})}"
    yield from ("", "[proof]", f"verdict = {toml_string(plan.proof.verdict)}")
    if plan.proof.floor is not None:
        yield f"floor = {plan.proof.floor}"
    yield f"reason = {toml_string(plan.proof.reason)}"
    for goal in plan.goals:
        yield from ("", "[[goals]]", *_goal(goal))
    yield from ("", "[start]", f"states = {_numbers(plan.start.states)}")
    for build, start in plan.start.builds.items():
        yield from ("", f"[start.builds.{_key(build)}]", *_start(start))
    for step in plan.steps:
        yield from ("", "[[steps]]", f"action = {toml_string(step.action)}")
        yield from (f"frames = {step.frames}", f"precise = {step.precise}")
        yield from (f"states = {_numbers(step.states)}", "[steps.layouts]")
        for build, blocks in step.layouts.items():
            yield from (f"{_key(build)} = [", *_blocks(blocks), "]")


def _goal(goal: GoalTable) -> Iterator[str]:
    yield f"sort = {toml_string(goal.sort)}"
    yield f"words = {toml_string(goal.words)}"
    if goal.given:
        yield f"given = {toml_string(goal.given)}"
    if goal.kind is not None:
        yield f"kind = {toml_string(goal.kind)}"
    if goal.spans:
        yield f"spans = {_inline({n: _pair(span) for n, span in goal.spans.items()})}"
    if goal.addresses:
        yield f"addresses = {_inline({n: _hex(at) for n, at in goal.addresses.items()})}"
    if goal.layouts:
        yield "[goals.layouts]"
    for build, blocks in goal.layouts.items():
        yield from (f"{_key(build)} = [", *block_lines(blocks), "]")


def _start(start: BuildStart) -> Iterator[str]:
    yield f"taken_from = {toml_string(start.taken_from)}"
    yield f"arena = {_pair(start.arena)}"
    if start.rover is not None:
        yield f"rover = {_hex(start.rover)}"
    if start.held is not None:
        yield f"held = {_hex(start.held)}"
    yield from ("blocks = [", *_blocks(start.blocks), "]")


def _blocks(blocks: Sequence[BlockAt]) -> Iterator[str]:
    for block in blocks:
        age = "" if block.age is None else f", age = {block.age}"
        used = "true, " if block.used else "false,"
        yield (
            f"    {{ start = {_hex(block.start)}, size = 0x{block.size:X}, used = {used} "
            f"owner = {toml_string(block.owner)}{age} }},"
        )


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else toml_string(name)


def _inline(values: Mapping[str, str]) -> str:
    inside = ", ".join(f"{_key(name)} = {value}" for name, value in values.items())
    return f"{{ {inside} }}" if inside else "{}"


def _numbers(values: Mapping[str, int]) -> str:
    return _inline({name: str(value) for name, value in values.items()})


def _pair(pair: tuple[int, int]) -> str:
    return f"[{_hex(pair[0])}, {_hex(pair[1])}]"


def _hex(address: int) -> str:
    return f"0x{address:08X}"
