"""Windows on the running demo game, whose courier acts so many frames early or late.

Source of every expected value: what the game itself wrote down, compiled C on an emulated MIPS
processor (tests/guest/timed/acts.c), and a subtraction.
"""

from __future__ import annotations

import json
import signal
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from adapters.practice_log.database import open_for_reading, read_attempts
from bridge.practice.attempts import Attempt, Outcome
from lowhalf import frames, load_bridge
from tests.commands.command import Running
from tests.guest.build import build_timed_once
from tests.guest.timed.guest import BEFORE, TOO_SOON, TWICE, Act, TimedGuest
from tests.practice_live import SCHEMA

pytestmark = [
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm"),
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
]
FIRST, LAST = 11, 14
FEW = [FIRST - 5, FIRST - 1, FIRST, LAST + 1, LAST + 5, BEFORE, 12 | TOO_SOON | TWICE]
ALL = [FIRST + k if k < 0 else LAST + k for k in range(-5, 6)] + [
    *range(FIRST, LAST + 1),
    *(BEFORE, FIRST | TOO_SOON, (FIRST - 2) | TWICE, LAST | TWICE, (LAST + 3) | TOO_SOON | TWICE),
    *(0, 255),
]
PRACTICE = f"""
[[watches]]
name = "facing"
expr = "courier.facing"
[[steps]]
name = "take the lantern"
begin = "courier.facing == 0x2000"
done = "courier.held.kind == ActorKind.lantern"
[[steps]]
name = "face the sea"
done = "courier.facing == 0x8000"
show = "facing"
window = {{ after = "current_room.index == 1", frames = [{FIRST}, {LAST}] }}
[attempts]
begins = "change(script_laps) > 0"
"""


def bridge(directory: Path, name: str, source: str, outputs: str = "") -> Path:
    path = directory / f"{name}.bridge.toml"
    path.write_text(
        f"schema = {json.dumps(str(SCHEMA))}\n[source]\n{source}\n"
        '[sampling]\nrate = 60\nframe = "frame_began"\n'
        f'guard = {{ began = "frame_began", ended = "frame_ended" }}\n{PRACTICE}{outputs}',
        "utf-8",
    )
    return path


def true_words(act: Act) -> tuple[str, int | None, int | None]:
    """Verdict, frames outside of the window and frames since the moment, from the game's log."""
    if act.wanted & BEFORE:
        assert act.acted < act.moment
        return "early", None, None
    frames = act.acted - act.moment
    assert frames == act.wanted & 0xFF
    if frames < FIRST:
        return "early", FIRST - frames, frames
    return ("late", frames - LAST, frames) if frames > LAST else ("right", 0, frames)


def check(attempt: Attempt, act: Act) -> None:
    """An attempt of which every frame was seen is what the game did."""
    verdict, by, frames = true_words(act)
    assert attempt.whole
    assert attempt.began_frame == act.began
    assert attempt.frames == act.acted - act.began
    taken, faced = attempt.steps
    assert (taken.outcome, taken.too_soon) == ("done", bool(act.wanted & TOO_SOON))
    assert faced.timing is not None
    told = faced.timing
    assert (told.verdict, told.by, told.frames) == (verdict, by, frames)
    assert (told.window, told.unsure) == ((FIRST, LAST), 0)
    assert attempt.outcome is (Outcome.SUCCESS if verdict == "right" else Outcome.FAILED)
    reasons = {"right": "", "early": f"early by {by}", "late": f"late by {by}"}
    assert attempt.reason == ("early: done before it could be" if by is None else reasons[verdict])


def kept(path: Path) -> list[Attempt]:
    database = open_for_reading(path)
    try:
        return read_attempts(database, running=False)
    finally:
        database.close()


@pytest.fixture(scope="module")
def guest(
    tmp_path_factory: pytest.TempPathFactory, pytestconfig: pytest.Config
) -> Iterator[TimedGuest]:
    directory = tmp_path_factory.mktemp("timed")
    cache = getattr(pytestconfig, "cache", None)
    elf = build_timed_once(cache.mkdir("guest") if cache else directory)
    with TimedGuest(elf, directory) as running:
        yield running
        assert running.read_symbol_u32("fault") == 0


def in_step(guest: TimedGuest, path: Path, count: int) -> list[dict[str, Any]]:
    """The daemon beside a game that goes on once its frame was printed: what it printed."""
    lines: list[dict[str, Any]] = []
    with Running("run", str(path), "--json") as daemon:

        def printed(number: int) -> None:
            end = time.monotonic() + 30
            while not lines or lines[-1]["frame"] != number:
                if len(daemon.raw_printed) > len(lines):
                    lines.append(json.loads(daemon.raw_printed[len(lines)]))
                    continue
                assert time.monotonic() < end, (number, lines[-1:], daemon.logged)
                time.sleep(0.001)

        printed(guest.read_symbol_u32("frame_ended"))
        while guest.over < count:
            printed(guest.step())
        daemon.process.send_signal(signal.SIGTERM)
        assert daemon.process.wait(30) == 0
    return lines


def check_lines(lines: Sequence[dict[str, Any]], acts: Sequence[Act]) -> None:
    """It is told at once: in the very frame in which he acts, and while the window is open."""
    by_frame = {line["frame"]: line["practice"] for line in lines}
    assert len(by_frame) == len(lines) == lines[-1]["frame"] - lines[0]["frame"] + 1
    for number, act in enumerate(acts, 1):
        verdict, by, frames = true_words(act)
        last = by_frame[act.acted]["last"]
        assert last["attempt"] == number
        assert last["timing"] == {
            "step": "face the sea",
            "verdict": verdict,
            "by": by,
            "frames": frames,
            "window": [FIRST, LAST],
            "unsure": 0,
        }
        waiting = by_frame[act.began + 2]
        assert (waiting["phase"], waiting["next"]) == (
            *("waiting", {"step": "face the sea", "hint": ""}),
        )
        assert waiting["too_soon"] == (0 if act.wanted & TOO_SOON else None)
        open_ones = range(act.moment, act.acted)
        for frame in open_ones:
            now = by_frame[frame]
            assert (now["step"], now["show"]) == ("face the sea", "facing")
            assert now["window"] == {"frames": [FIRST, LAST], "since": frame - act.moment}
        if not act.wanted & TWICE:
            assert by_frame[min(act.moment, act.acted) - 1]["window"]["since"] is None


@pytest.mark.parametrize("wanted", [FEW, pytest.param(ALL, marks=pytest.mark.full)])
async def test_it_is_told_exactly_so_live_and_from_a_recording(
    guest: TimedGuest, tmp_path: Path, wanted: list[int]
) -> None:
    guest.begin(wanted)
    live = bridge(
        *(tmp_path, "live", f'kind = "shared"\npath = {json.dumps(str(guest.ram_path))}'),
        '[outputs.recording]\npath = "told.mcap"\nram = "touched"\n',
    )
    lines = in_step(guest, live, len(wanted))
    acts = guest.acts(len(wanted))
    assert [act.wanted for act in acts] == wanted
    check_lines(lines, acts)
    told = kept(tmp_path / "live.attempts.sqlite")
    assert len(told) == len(acts)
    for attempt, act in zip(told, acts, strict=True):
        check(attempt, act)
    again = bridge(
        *(tmp_path, "again", 'kind = "recording"\npath = "told.mcap"\npace = "all"'),
    )
    found: dict[int, Attempt] = {}
    async for frame in frames(load_bridge(again)):
        assert frame.practice is not None
        found |= {attempt.number: attempt for attempt in frame.practice.recent}
    assert len(found) == len(acts)
    for attempt, act in zip(found.values(), acts, strict=True):
        check(attempt, act)


@pytest.mark.full
def test_at_its_own_pace_what_is_not_marked_is_exactly_so(
    guest: TimedGuest, tmp_path: Path
) -> None:
    """60 frames a second: a busy machine may miss some, and by how much it may be off is told."""
    wanted = ALL * 2
    source = f'kind = "shared"\npath = {json.dumps(str(guest.ram_path))}'
    path = bridge(tmp_path, "paced", source)
    with Running("run", str(path), "--quiet") as daemon:
        daemon.wait_for("build first-print")
        guest.begin(wanted, "normal", hold=False)
        while guest.over < len(wanted):
            time.sleep(0.1)
        time.sleep(0.2)
        daemon.process.send_signal(signal.SIGTERM)
        assert daemon.process.wait(30) == 0
    acts = guest.acts(len(wanted))
    told = kept(tmp_path / "paced.attempts.sqlite")
    assert len(told) == len(acts)  # the counter tells of each, also where none of it was seen
    sure = 0
    for attempt, act in zip(told, acts, strict=True):
        if attempt.whole and attempt.outcome is not Outcome.CUT_OFF:
            check(attempt, act)
            sure += 1
        elif attempt.timed is not None and not act.wanted & TWICE:
            timing, (_, _, frames) = attempt.timed.timing, true_words(act)
            assert timing is not None
            if timing.unsure is None:
                continue
            if timing.frames is None or frames is None:
                assert timing.frames == frames
            else:
                assert abs(timing.frames - frames) <= timing.unsure
    assert sure > 0
