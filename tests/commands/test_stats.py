"""``lowhalf run --stats``: what is counted, held against the frames that were printed."""

from __future__ import annotations

import json
import re
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.commands import files
from tests.commands.command import Running, lowhalf

BEGAN, ENDED, PLACE = 0x10, 0x18, 0x20

SCHEMA_ADDED = """
[symbols]
courier = "Actor"
began = "u32"
ended = "u32"
work = "u32"
"""
BRIDGE = """
schema = "t.schema.toml"
[source]
kind = "shared"
path = "t.bin"
[sampling]
rate = 60
frame = "began"
guard = { began = "began", ended = "ended" }
[[watches]]
name = "done"
expr = "work"
[[watches]]
name = "most"
expr = "highest(work)"
"""


def live(directory: Path) -> Path:
    """A bridge to a file that a game of ours writes; gives the bridge file's path."""
    path = files.write(directory, bridge=BRIDGE)
    schema = directory / "t.schema.toml"
    text = schema.read_text("utf-8").replace('[symbols]\ncourier = "Actor"\n', SCHEMA_ADDED)
    for address in ("0x8000_1000", "0x8000_1800"):
        placed = f"courier = {address}, began = 0x8000_0010, ended = 0x8000_0018, "
        text = text.replace(f"courier = {address}", placed + "work = 0x8000_0020")
    schema.write_text(text, "utf-8")
    return path


class Game:
    """Writes frames into a file as a game does: begin, work, end, and then it is idle."""

    def __init__(self, path: Path) -> None:
        self.number = 100
        self.step = 1
        self.stuck = False
        self.late = 0.0
        self._file = path.open("r+b", buffering=0)
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._play)

    @contextmanager
    def playing(self) -> Iterator[Game]:
        self._frame()
        self._thread.start()
        try:
            yield self
        finally:
            self._end.set()
            self._thread.join()
            self._file.close()

    def _put(self, at: int, number: int) -> None:
        self._file.seek(at)
        self._file.write(number.to_bytes(4, "big"))

    def _frame(self) -> None:
        self.number += self.step
        self._put(BEGAN, self.number)
        self._put(PLACE, self.number)
        # a game that is stuck never gets to the end of its work, however often it begins
        self._put(ENDED, self.number - self.stuck)

    def _play(self) -> None:
        while not self._end.wait(0.02):
            late, self.late = self.late, 0.0
            time.sleep(late)
            self._frame()


def counts(log: list[str]) -> dict[str, int]:
    (line,) = [line for line in log if line.startswith("frames ")]
    return {name: int(number) for name, number in re.findall(r"([a-z ]+?) (\d+)(?:, |$)", line)}


def frames(printed: list[str]) -> list[int]:
    """The numbers of the frames that were printed, each once."""
    numbers = [json.loads(line)["frame"] for line in printed]
    return [n for n, before in zip(numbers, [0, *numbers], strict=False) if n and n != before]


def play_for(seconds: float) -> None:
    time.sleep(seconds)


def test_every_frame_of_the_game_is_either_taken_or_counted_as_skipped(tmp_path: Path) -> None:
    path = live(tmp_path)
    game = Game(tmp_path / "t.bin")
    game.step = 3  # two frames of three come and go too fast for anyone
    with game.playing(), Running("run", str(path), "--json", "--stats") as daemon:
        daemon.wait_for('"consistency":"guarded"', printed=True)
        play_for(1.5)
        assert daemon.stop(signal.SIGINT) == 0
    taken, stats = frames(daemon.printed), counts(daemon.logged)
    assert len(taken) > 10
    # the last frames may have been taken in the moment of the end, while the line before them was
    # being written, and so never printed
    passed = taken[-1] - taken[0] + 1
    assert stats["frames"] + stats["skipped"] in range(passed, passed + 20 * game.step, game.step)
    assert stats["skipped"] >= 2 * (stats["frames"] - 1)
    assert (stats["resets"], stats["not whole"]) == (0, 0)
    assert stats["batches"] >= stats["frames"]
    for line in daemon.printed:
        frame = json.loads(line)
        if frame["frame"]:
            assert frame["readings"][0]["value"] == frame["frame"]


def test_what_the_game_loses_against_its_own_pace_is_counted(tmp_path: Path) -> None:
    path = live(tmp_path)
    game = Game(tmp_path / "t.bin")
    with game.playing(), Running("run", str(path), "--json", "--stats") as daemon:
        daemon.wait_for('"consistency":"guarded"', printed=True)
        play_for(0.8)
        game.late = 0.1  # the time of five frames
        play_for(2)
        assert daemon.stop(signal.SIGINT) == 0
    stats = counts(daemon.logged)
    # this game is a thread, which may well be late by itself too
    assert stats["lag"] >= 4
    assert stats["skipped"] + stats["frames"] > 40


def test_a_reset_is_counted_and_clears_what_spans_frames(tmp_path: Path) -> None:
    path = live(tmp_path)
    game = Game(tmp_path / "t.bin")
    game.number = 5000
    with game.playing(), Running("run", str(path), "--json", "--stats") as daemon:
        daemon.wait_for('"frame":50', printed=True)
        game.number = 10
        daemon.wait_for('"frame":2', printed=True)
        assert daemon.stop(signal.SIGINT) == 0
    stats = counts(daemon.logged)
    assert stats["resets"] == 1
    last = json.loads(daemon.printed[-1])
    assert last["readings"][1]["value"] == last["frame"] < 5000


def test_a_guard_that_never_passes_is_counted_and_told_in_the_readings(tmp_path: Path) -> None:
    path = live(tmp_path)
    game = Game(tmp_path / "t.bin")
    with game.playing(), Running("run", str(path), "--json", "--stats") as daemon:
        daemon.wait_for('"consistency":"guarded"', printed=True)
        play_for(0.3)
        game.stuck = True
        line = daemon.wait_for("began and ended never agreed", printed=True)
        play_for(0.5)
        assert daemon.stop(signal.SIGINT) == 0
    stuck = json.loads(line)
    (done, _) = stuck["readings"]
    assert (done["status"], done["value"]) == ("ok", stuck["frame"])
    assert done["reason"] == "no whole frame: began and ended never agreed"
    stats = counts(daemon.logged)
    assert stats["not whole"] >= 1
    assert stats["torn"] > stats["not whole"]
    told = [line for line in daemon.logged if "never agreed" in line]
    assert len(told) == 1, told


def test_frames_that_are_not_whole_are_told_once_and_so_is_that_they_are_again(
    tmp_path: Path,
) -> None:
    """The guard passes, then does not, twenty times over."""
    path = live(tmp_path)
    game = Game(tmp_path / "t.bin")
    with game.playing(), Running("run", str(path), "--json") as daemon:
        daemon.wait_for('"consistency":"guarded"', printed=True)
        for _ in range(20):
            game.stuck = True
            play_for(0.3)
            game.stuck = False
            play_for(0.1)
        again = daemon.wait_for("frames are whole again")
        assert daemon.stop(signal.SIGTERM) == 0
    told = [line.removeprefix("lowhalf: ") for line in daemon.logged]
    assert [line.partition(", ")[0] for line in told] == [
        "shared t.bin: build first-print",
        "shared t.bin: no whole frame: began and ended never agreed",
        "shared t.bin: frames are whole again",
    ]
    assert int(again.split()[-3]) >= 5, again


def test_a_dump_is_one_frame(tmp_path: Path) -> None:
    done = lowhalf("run", str(files.write(tmp_path)), "--seconds", "1", "--stats")
    assert done.returncode == 0
    stats = counts(done.stderr.splitlines())
    assert (stats.pop("batches"), stats) == (
        0,
        {"frames": 1, "skipped": 0, "lag": 0, "torn": 0, "not whole": 0, "unclear": 0, "resets": 0},
    )
    assert "output terminal: skipped 0" in done.stderr


def test_without_a_frame_that_is_told(tmp_path: Path) -> None:
    path = live(tmp_path)
    (tmp_path / "t.bin").unlink()
    done = lowhalf("run", str(path), "--quiet", "--seconds", "1", "--stats")
    assert done.returncode == 0
    assert done.stderr.splitlines()[-1] == "no frame was taken"
