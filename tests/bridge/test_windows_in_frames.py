"""Windows in a daemon's frames: what each says, with and without attempts, over cuts and builds."""

from __future__ import annotations

from pathlib import Path

from bridge.practice.attempts import Outcome
from bridge.practice.progress import Phase, Practice
from bridge.practice.windows import BEFORE_IT_COULD_BE, Window
from tests.bridge.made_practice import ATTEMPTS, Rig

STEPS = """
[[steps]]
name = "to the corner"
done = "corner"
hint = "hug the wall"
show = "half"
[[steps]]
name = "turn"
begin = "lamp.oil > 0"
done = "turned"
hint = "half a turn"
show = "oil"
window = { after = "door", frames = [2, 3] }
"""
LIT = {"lamp": 0x8000_2000}
"""A lamp with oil in it."""


def lit(directory: Path, practice: str) -> Rig:
    rig = Rig(directory, practice)
    rig.source.poke(0x8000_2000, (7).to_bytes(4, "big"))
    return rig


def told(practice: Practice) -> tuple[str, int | None, int | None]:
    """The step, the frames since its window's moment, and those since it was done too soon."""
    return practice.step, practice.since, practice.too_soon


async def test_what_each_frame_says(tmp_path: Path) -> None:
    rig = lit(tmp_path, STEPS + ATTEMPTS)
    async with rig.running():
        await rig.shown()
        first = await rig.shown(room=1)
        assert (first.show, first.next_step, first.next_hint) == ("half", "turn", "half a turn")
        assert (first.window, first.since, first.too_soon) == (None, None, None)
        assert (await rig.shown(door=1)).since is None  # the corner has no window
        waiting = await rig.shown(corner=1)
        assert (waiting.phase, told(waiting)) == (Phase.WAITING, ("turn", 1, None))
        assert (waiting.show, waiting.next_step, waiting.window) == ("oil", "", Window(2, 3))
        assert waiting.reason == "begin: lamp is null"
        assert told(await rig.shown(turned=1)) == ("turn", 2, 0)
        assert told(await rig.shown()) == ("turn", 3, 1)
        begun = await rig.shown(turned=0, door=0, **LIT)
        assert (begun.phase, told(begun)) == (Phase.RUNNING, ("turn", 4, None))
        assert told(await rig.shown(door=1)) == ("turn", 0, None)
        assert told(await rig.shown()) == ("turn", 1, None)
        ended = await rig.shown(turned=1)
        assert (ended.phase, told(ended), ended.window) == (
            *(Phase.BETWEEN, ("", None, None), None),
        )
    (attempt,) = rig.keeper.ends
    assert (attempt.outcome, attempt.whole) == (Outcome.SUCCESS, True)
    assert attempt.timed is not None
    assert (attempt.timed.timing, attempt.timed.too_soon) == (Window(2, 3).judge(2), 1)


async def test_a_reset_forgets_the_moment(tmp_path: Path) -> None:
    rig = lit(tmp_path, STEPS + ATTEMPTS)
    async with rig.running():
        await rig.shown(**LIT)
        await rig.shown(room=1)
        assert told(await rig.shown(corner=1, door=1)) == ("turn", 0, None)
        await rig.shown(2, room=0)  # the counter went back
        await rig.shown(room=1)
        # the door is open all the while, and does not open
        assert told(await rig.shown()) == ("turn", None, None)
        failed = (await rig.shown(turned=1)).last
    assert failed is not None
    assert (failed.outcome, failed.reason) == (Outcome.FAILED, BEFORE_IT_COULD_BE)
    assert [a.outcome for a in rig.keeper.ends] == [Outcome.CUT_OFF, Outcome.FAILED]


async def test_without_attempts(tmp_path: Path) -> None:
    """A way that was late is followed by the next, whose moments are new ones."""
    rig = lit(tmp_path, STEPS)
    async with rig.running():
        await rig.shown(**LIT, corner=1)
        assert told(await rig.shown(door=1)) == ("turn", 0, None)
        for since in range(1, 6):
            assert told(await rig.shown()) == ("turn", since, None)
        late = await rig.shown(turned=1)
        assert late.last is not None
        assert (late.last.number, late.last.outcome) == (0, Outcome.FAILED)
        assert (late.last.step, late.last.reason) == ("turn", "late by 3")
        assert late.step == "to the corner"
        # the door stays open and he stays turned: nothing of that is done anew
        for _ in range(3):
            assert (await rig.shown()).last == late.last
        early = [await rig.shown(turned=turned) for turned in (0, 1)][-1].last
        assert early is not None
        assert early.reason == BEFORE_IT_COULD_BE
        await rig.shown(turned=0, door=0)
        await rig.shown(door=1)
        await rig.shown()
        right = (await rig.shown(turned=1)).last
        assert right is not None
        assert (right.outcome, right.reason) == (Outcome.SUCCESS, "")
        assert right.timed is not None
        assert right.timed.timing == Window(2, 3).judge(2)


async def test_why_a_moment_has_no_value(tmp_path: Path) -> None:
    rig = Rig(tmp_path, STEPS.replace('after = "door"', 'after = "lamp.oil == 1"'))
    async with rig.running():
        waiting = await rig.shown(corner=1)
        assert waiting.reason == "begin: lamp is null; after: lamp is null"
