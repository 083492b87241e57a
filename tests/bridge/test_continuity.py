"""What goes on where a source is lost and opened again, and what does not."""

from __future__ import annotations

import weakref
from pathlib import Path

import pytest

from adapters.sources.fake import ScriptedSource
from bridge.evaluation.evaluator import Evaluator
from bridge.memory.image import Image
from bridge.ports.source import Opened
from bridge.prepared import PreparedBuild
from bridge.sampling.continuity import Continuity
from bridge.sampling.frame_count import Count, FrameCount
from bridge.sampling.sampler import Sampler
from tests.bridge.test_sampler import FAR, GUARD, Bench, count, guest, take
from tests.virtual_clock import VirtualClock


class Ran:
    """The builds of a bridge, and evaluators of them that have seen a frame."""

    def __init__(self, directory: Path) -> None:
        bench = Bench(directory, GUARD, {"far": FAR})
        self.builds = bench.prepared_builds()
        self.opened = Opened(bench.memory, bench.memory)
        self.continuity = Continuity(VirtualClock())

    def evaluator(self, prepared: PreparedBuild) -> Evaluator:
        return Evaluator(prepared.program, prepared.layout, self.opened.memory, whole=False)

    def runs(self, build: str, number: int) -> FrameCount:
        """A source is opened that holds a build, and one frame of it is taken."""
        found = self.continuity.source_opened(self.opened)
        prepared = self.builds[build]
        self.continuity.build_found(prepared, self.evaluator(prepared), found)
        found.took(Count(number, number), 1.0, 1.0)
        return found


@pytest.mark.parametrize(("build", "last"), [("print", 100), ("export", None)])
def test_the_count_goes_on_where_the_same_build_is_found(
    tmp_path: Path, build: str, last: int | None
) -> None:
    ran = Ran(tmp_path)
    ran.runs("print", 100)
    after = ran.continuity.source_opened(ran.opened)
    assert after.last is None, "nothing is known before the build is"
    prepared = ran.builds[build]
    assert ran.continuity.build_found(prepared, ran.evaluator(prepared), after) == bool(last)
    assert (None if after.last is None else after.last.number) == last


def test_a_source_that_is_lost_before_its_build_is_known_forgets_nothing(tmp_path: Path) -> None:
    ran = Ran(tmp_path)
    ran.runs("print", 100)
    for _ in range(3):
        after = ran.continuity.source_opened(ran.opened)
    prepared = ran.builds["print"]
    assert ran.continuity.build_found(prepared, ran.evaluator(prepared), after)
    assert after.last is not None


def test_nothing_goes_on_from_a_game_that_was_not_recognised_any_more(tmp_path: Path) -> None:
    ran = Ran(tmp_path)
    ran.runs("print", 100)
    ran.continuity.build_lost()
    after = ran.continuity.source_opened(ran.opened)
    prepared = ran.builds["print"]
    assert not ran.continuity.build_found(prepared, ran.evaluator(prepared), after)
    assert after.last is None


def test_a_build_that_is_found_twice_on_one_source_begins_anew(tmp_path: Path) -> None:
    ran = Ran(tmp_path)
    found = ran.runs("print", 100)
    ran.continuity.build_lost()
    prepared = ran.builds["print"]
    assert not ran.continuity.build_found(prepared, ran.evaluator(prepared), found)


def test_how_fast_frames_follow_stays_known(tmp_path: Path) -> None:
    ran = Ran(tmp_path)
    before = ran.runs("print", 100)
    for second in range(2, 5):
        before.took(Count(60 * second, 60 * second), float(second), float(second))
    assert before.pace.fastest == 60.0
    assert ran.continuity.source_opened(ran.opened).pace is before.pace


def test_the_image_of_a_source_that_is_gone_is_let_go(tmp_path: Path) -> None:
    ran = Ran(tmp_path)
    prepared, image = ran.builds["print"], Image(ran.opened.memory)
    evaluator = ran.evaluator(prepared)
    ran.continuity.build_found(prepared, evaluator, ran.continuity.source_opened(ran.opened))
    evaluator.evaluate(image, 100)
    held = weakref.ref(image)
    del image
    after = ran.continuity.source_opened(ran.opened)
    assert held() is not None
    ran.continuity.build_found(prepared, ran.evaluator(prepared), after)
    assert held() is None


async def test_counts_are_of_all_sources_together(tmp_path: Path) -> None:
    source = ScriptedSource()
    guest(source)
    bench = Bench(tmp_path, GUARD, {"far": FAR})
    sampler = await bench.sampler(source)
    for number in (100, 101, 105):
        count(source, number)
        await take(sampler)
    assert (sampler.stats.frames, sampler.stats.skipped) == (3, 3)
    # what was played while the source was gone was nobody's to see
    count(source, 130)
    after = await Sampler.open(source, bench.setup, bench.continuity)
    frame = await take(after)
    assert (frame.stats.frames, frame.stats.skipped, frame.stats.resets) == (4, 3, 0)
    count(source, 133)
    frame = await take(after)
    assert (frame.stats.frames, frame.stats.skipped) == (5, 5)
    assert sampler.stats == after.stats == bench.continuity.stats
