"""What is told of the heap as frames come, held against a heap whose every change is known."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest

from bridge.heap.events import HeapEvent
from bridge.heap.told_events import MAX_TOLD, Anew, EventTeller, Told, Unseen
from bridge.memory.byte_order import ByteOrder
from bridge.questions import scheduler
from bridge.questions.heap_followed import ALLOWANCE
from tests.bridge.made_heap import ARENA, HEAD, HeapGuest, Made, changed, gulls, schema_text
from tests.bridge.made_questions import Asker
from tests.bridge.test_heap_events import BASE, heap_of

Used = Mapping[int, tuple[str, int, int | None]]
REED: Used = {0x20: ("reed", 64, 1)}


def take(teller: EventTeller, number: int, used: Used | None, **settings: bool | str) -> None:
    heap = None if used is None else heap_of(used, **settings)
    teller.take(number, heap, numbered=True, unclear=False)


def told_by(teller: EventTeller) -> tuple[Told, ...]:
    return teller.told.recent


def words(recent: Sequence[Told]) -> list[str]:
    return [
        f"{e.frame} {e.block.owner} {e.happened}" if isinstance(e, HeapEvent) else str(e)
        for e in recent
    ]


def test_frames_between_are_said_to_be_unseen_and_why() -> None:
    teller = EventTeller()
    take(teller, 7, {})
    assert told_by(teller) == (Anew(7, ""),)
    take(teller, 8, REED)
    assert words(told_by(teller)[1:]) == ["8 reed allocated"]
    take(teller, 12, {})
    assert told_by(teller)[2] == Unseen(9, 11, 3, "not seen")
    assert words(told_by(teller)[3:]) == ["12 reed released"]
    # a damaged heap tells nothing, and what it hides is no event
    take(teller, 13, {}, damaged="block 1 overlaps")
    take(teller, 14, REED)
    assert told_by(teller)[4] == Unseen(13, 13, 1, "damaged")
    take(teller, 15, {}, awaited=True)
    take(teller, 16, REED)
    assert told_by(teller)[6:] == (Unseen(15, 15, 1, "in part"),)
    assert teller.told.count == 3


def test_gaps_without_an_event_between_them_become_one() -> None:
    teller = EventTeller()
    take(teller, 1, REED)
    for number in range(4, 400, 3):
        take(teller, number, REED)
    take(teller, 398, None)
    take(teller, 399, REED)
    assert told_by(teller) == (Anew(1, ""), Unseen(2, 398, 265, "not seen"))
    take(teller, 400, REED, damaged="so")
    take(teller, 401, {})
    assert told_by(teller)[1] == Unseen(2, 400, 266, "not whole")


def test_how_many_are_unseen_may_be_unknown() -> None:
    teller = EventTeller()
    take(teller, 1, REED)
    teller.take(500, heap_of({}), numbered=True, unclear=True)
    assert told_by(teller)[1] == Unseen(2, 499, None, "not seen")
    teller.take(501, heap_of({}), numbered=False, unclear=False)
    assert not teller.told.numbered


def test_nothing_goes_over_what_was_forgotten() -> None:
    teller = EventTeller()
    teller.forget("before all")
    take(teller, 90, REED)
    take(teller, 95, REED)
    teller.forget("the game was reset")
    teller.forget("the source was lost")
    take(teller, 2, None)
    take(teller, 3, {0x20: ("otter", 64, 9)})
    # told by what came first; the gap before it is part of what is not told
    assert told_by(teller) == (Anew(3, "the game was reset"),)
    take(teller, 4, {})
    assert words(told_by(teller)[1:]) == ["4 otter released"]


def test_events_are_numbered_and_the_newest_kept() -> None:
    teller = EventTeller()
    many: Used = {16 * n: ("reed", 16, n) for n in range(MAX_TOLD + 50)}
    take(teller, 1, {})
    take(teller, 2, many)
    told = teller.told
    assert (told.count, len(told.recent)) == (MAX_TOLD + 50, MAX_TOLD)
    numbers = [number for number, _ in told.newer_than(0)]
    assert numbers == list(range(51, MAX_TOLD + 51))
    assert [e.block.start for _, e in told.newer_than(MAX_TOLD + 48)] == [
        BASE + 16 * (MAX_TOLD + 48),
        BASE + 16 * (MAX_TOLD + 49),
    ]
    assert list(told.newer_than(told.count)) == []
    take(teller, 3, many)
    assert teller.told is told


class Changing:
    """A sampler on a heap that the test lays out anew in each frame."""

    def __init__(self, directory: Path, watches: dict[str, str]) -> None:
        self.made = HeapGuest()
        self.asker = Asker(directory, schema_text(), watches)
        self.heap = self.asker.questions.heap

    async def open(self, blocks: Sequence[Made]) -> None:
        self.made.heap(blocks)
        for span in self.made.memory.whole():
            self.asker.source.poke(span.address, self.made.part(span))
        await self.asker.open(declared=ByteOrder.BIG)

    async def show(self, blocks: Sequence[Made], number: int | None = None) -> list[Told]:
        """What a frame with these blocks tells beyond what was told before."""
        self.made.heap(blocks)
        for address, size in ((HEAD, 4), (ARENA, 0x4000)):
            at = address - 0x8000_0000
            self.asker.source.poke(address, bytes(self.made.bytes[at : at + size]))
        before = self.heap.told
        if number is not None:
            self.asker.source._number = number - 1
        frame = await self.asker.next()
        if frame.heap_events is None:
            return []
        known = () if before is None else before.recent
        return [each for each in frame.heap_events.recent if each not in known]


@pytest.mark.parametrize("watches", [{"plain": "word"}, {"blocks_now": "len(blocks())"}])
async def test_each_frame_that_is_taken_tells_all_that_happened(
    tmp_path: Path, watches: dict[str, str]
) -> None:
    """Whether or not a watch asks for the heap.  The model is the test's own list of blocks."""
    chance = random.Random(3)
    changing = Changing(tmp_path, watches)
    blocks = gulls(40)
    await changing.open(blocks)
    assert await changing.show(changed(blocks, 3, used=False)) == []
    with changing.heap.held():
        for _ in range(6):
            await changing.show(blocks)
        for _ in range(150):
            after = list(blocks)
            expected = []
            for index in sorted(chance.sample(range(40), chance.randrange(4))):
                used, kind = chance.random() < 0.7, chance.choice([2, 4])
                after[index] = Made(0x30, used, kind, blocks[index].reuses + 1)
                if used or blocks[index].used:
                    happened = "reused" if used and blocks[index].used else "allocated"
                    expected.append((index, happened if used else "released"))
            found = await changing.show(after)
            blocks = after
            assert all(isinstance(each, HeapEvent) for each in found)
            events = [each for each in found if isinstance(each, HeapEvent)]
            assert sorted((e.block.index, str(e.happened)) for e in events) == expected
        told = changing.heap.told
        assert told is not None
        assert told.count > 150
    # nobody asks: what happens is not told, and later not taken for news
    assert changing.asker.questions.open == []
    assert await changing.show(changed(blocks, 0, used=not blocks[0].used)) == []
    with changing.heap.held():
        found = [each for _ in range(6) for each in await changing.show(blocks)]
        assert [type(each) for each in found] == [Anew]
        assert found[0].why == "nobody looked"  # type: ignore[union-attr]


async def test_gaps_resets_and_losses_are_told_by_the_sampler(tmp_path: Path) -> None:
    changing = Changing(tmp_path, {"blocks_now": "len(blocks())"})
    asker, blocks = changing.asker, gulls(10)
    await changing.open(blocks)
    changing.heap.hold()
    assert await changing.show(blocks, 100) == [Anew(100, "")]
    found = await changing.show(changed(blocks, 2, used=False), 104)
    assert found[0] == Unseen(101, 103, 3, "not seen")
    assert words(found[1:]) == ["104 gull released"]
    # the sender's numbers begin again
    assert await changing.show(blocks, 3) == [Anew(3, "the game was reset")]
    assert words(await changing.show(changed(blocks, 5, used=False), 4)) == ["4 gull released"]
    asker.continuity.cut_off("the source was lost")
    assert await changing.show(blocks, 5) == [Anew(5, "the source was lost")]
    changing.heap.release()


async def test_the_walk_may_take_longer_than_other_questions(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    changing = Changing(tmp_path, {"plain": "word"})
    await changing.open(gulls(10))
    with changing.heap.held():
        for _ in range(6):
            await changing.show(gulls(10))
        known = changing.asker.continuity.questions
        assert known is not None
        (asked,) = known._asked.values()
        monkeypatch.setattr(type(asked), "cost", (ALLOWANCE - 0.5) * scheduler.SLOW)
        question = changing.heap.question
        assert question is not None
        before = question.serial
        for _ in range(5):
            await changing.show(gulls(10))
        assert question.serial == before + 5
        monkeypatch.setattr(type(asked), "cost", (ALLOWANCE + 0.5) * scheduler.SLOW)
        for _ in range(5):
            await changing.show(gulls(10))
        assert question.serial < before + 10
