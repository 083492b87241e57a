"""The source that a person types: frames as answers come, and nothing made up meanwhile."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from adapters.sessions.setup import for_source, sampling_setup
from adapters.sources.catalogue import make_source
from adapters.sources.typed import TypedMemory
from bridge.memory.byte_order import ByteOrder
from bridge.ports.controls import Controls
from bridge.prepared import prepare
from bridge.readings.frame import Frame
from bridge.sampling.continuity import Continuity
from bridge.sampling.sampler import Sampler
from bridge.values.status import Status
from schemas.loader import load_bridge

SCHEMA = Path(__file__).parents[3] / "schemas" / "games" / "tidewright.schema.toml"
BRIDGE = f"""
schema = "{SCHEMA.as_posix()}"
BUILD
[source]
kind = "typed"
[sampling]
frame = "frame_began"
guard = {{ began = "frame_began", ended = "frame_ended" }}
[[watches]]
name = "low"
expr = "low(courier.held.position.x)"
[[watches]]
name = "facing"
expr = "courier.facing"
[[watches]]
name = "blocks"
expr = "len(blocks())"
[[watches]]
name = "went"
expr = "change(courier.facing)"
[[steps]]
name = "take the lantern"
done = "courier.held.kind == ActorKind.lantern"
"""
BUILD = 'build = "first-print"'


class Typing:
    """A sampler on a typed source, and the person."""

    def __init__(self, folder: Path, build: str) -> None:
        path = folder / "typed.bridge.toml"
        path.write_text(BRIDGE.replace("BUILD", build), "utf-8")
        bridge = load_bridge(path)
        ready = for_source(bridge, prepare(bridge))
        self.controls = Controls()
        source = make_source(bridge.file.source, folder, ready, self.controls)
        assert isinstance(source, TypedMemory)
        self.source = source
        self.setup = sampling_setup(bridge, ready)
        self.sampler: Sampler | None = None

    async def frame(self) -> Frame:
        if self.sampler is None:
            self.sampler = await Sampler.open(self.source, self.setup, Continuity(self.setup.clock))
        async with asyncio.timeout(10):
            return await self.sampler.next()

    async def says(self, what: str, text: str = "") -> Frame:
        assert self.controls.asked_by_hand is not None
        assert self.controls.asked_by_hand.say(what, text).outcome == "taken"
        return await self.frame()

    @property
    def place(self) -> int:
        assert self.source.asking is not None
        assert self.source.asking.question is not None
        return self.source.asking.question.address


def found(frame: Frame, watch: str) -> tuple[Status, str, str]:
    reading = next(each for each in frame.readings if each.watch.name == watch)
    return reading.status, reading.text, reading.reason


async def test_frames_come_with_the_answers_and_what_is_unknown_waits(tmp_path: Path) -> None:
    typing = Typing(tmp_path, BUILD)
    frame = await typing.frame()
    assert (frame.number, frame.build, frame.consistency) == (1, "first-print", "unguarded")
    assert found(frame, "low") == (
        Status.WAITING,
        "",
        "courier.held: 0x80180C9C has not been typed yet (see /by-hand)",
    )
    assert typing.place == 0x8018_0C9C
    frame = await typing.says("answer", "802003D0")
    assert frame.number == 2
    assert found(frame, "low")[2].startswith("courier.held.position.x: 0x802003FE has not been")
    frame = await typing.says("answer", "85D8")
    assert found(frame, "low") == (Status.OK, "34264", "")
    frame = await typing.says("answer", "5A00")
    assert found(frame, "facing") == (Status.OK, "23040", "")
    # a step's expression is asked for as well
    asking = typing.source.asking
    assert asking is not None
    assert asking.question is not None
    assert asking.question.needed_by == ("step 1: done",)
    frame = await typing.says("undo")
    assert found(frame, "facing")[0] is Status.WAITING
    frame = await typing.says("changed", "room")
    assert found(frame, "low")[0] is Status.WAITING
    await typing.source.close()


async def test_nobody_counts_the_frames_between_two_answers(tmp_path: Path) -> None:
    typing = Typing(tmp_path, BUILD)
    frame = await typing.frame()
    assert frame.stats.unclear == 0  # nothing lies before the first
    for answer in ("802003D0", "85D8", "5A00"):
        frame = await typing.says("answer", answer)
    assert frame.stats.unclear == 3
    assert frame.stats.skipped == 0
    # two moments that were typed one after the other are not two frames one after the other
    assert found(frame, "went") == (
        Status.ERROR,
        "",
        "change(courier.facing): needs every frame of the game, which nobody can type",
    )
    assert typing.source.notes == [
        "nobody counts the frames between two answers: 1 to 2; the frames missed are not counted"
    ]


async def test_nothing_is_a_frame_while_nothing_is_said(tmp_path: Path) -> None:
    typing = Typing(tmp_path, BUILD)
    await typing.frame()
    coming = asyncio.create_task(typing.frame())
    done, _ = await asyncio.wait([coming], timeout=0.05)
    assert not done
    assert (await typing.says("answer", "802003D0")).number == 2
    coming.cancel()
    await asyncio.wait([coming])


async def test_the_build_is_found_by_the_recognise_bytes_that_are_typed(tmp_path: Path) -> None:
    typing = Typing(tmp_path, "")
    frame = await typing.frame()
    assert frame.build == ""
    assert frame.note == "waiting for the bytes that tell the build, at 0x80000400"
    frame = await typing.says("answer", b"TIDE 1.1".hex(" "))
    assert frame.build == "second-print"
    assert typing.sampler is not None
    assert typing.sampler.order is ByteOrder.BIG


@pytest.mark.parametrize("watch", ["low", "facing"])
async def test_no_pointer_is_held_against_a_heap_that_nobody_typed(
    tmp_path: Path, watch: str
) -> None:
    typing = Typing(tmp_path, BUILD)
    await typing.frame()
    for answer in ("802003D0", "85D8", "5A00"):
        frame = await typing.says("answer", answer)
    assert found(frame, watch)[0] is Status.OK
    assert found(frame, "blocks")[0] is Status.WAITING


def test_the_controls_get_it(tmp_path: Path) -> None:
    typing = Typing(tmp_path, BUILD)
    assert typing.controls.asked_by_hand is typing.source
