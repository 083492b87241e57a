"""``lowhalf run --json`` of recordings that go by no clock: every frame, and the same each time."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from adapters.commands.console.step_lines import MAX_STEPS, frames_asked
from adapters.commands.main import main
from tests.commands.command import Running, lowhalf
from tests.commands.warm_start import ROOT

FIRST, LAST = 392, 1591
"""The demo's recording: 1,200 frames."""
SAMPLES = ROOT / "sample_dumps"


def bridge(folder: Path, *lines: str, name: str = "lap") -> Path:
    """The demo's bridge file without outputs, with *lines* in its source."""
    text = (SAMPLES / "demo.bridge.toml").read_text("utf-8").split("[outputs")[0]
    text = text.replace("../schemas", (ROOT / "schemas").as_posix())
    for held in ("demo.mcap", "demo.layout.toml"):
        text = text.replace(f'"{held}"', f'"{(SAMPLES / held).as_posix()}"\n')
    text = text.replace('kind = "recording"', "\n".join(('kind = "recording"', *lines)))
    path = folder / f"{name}.bridge.toml"
    path.write_text(text, "utf-8")
    return path


@contextmanager
def busy_machine(processes: int = 4) -> Iterator[None]:
    """Others compute meanwhile."""
    others = [
        subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(processes)
    ]
    try:
        yield
    finally:
        for other in others:
            other.kill()
            other.wait()


def attempts(path: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    assert main(["attempts", str(path), "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_each_run_gives_the_same_on_a_busy_machine(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    paths = [bridge(tmp_path, 'pace = "all"', name=name) for name in ("one", "two")]
    calm = lowhalf("run", str(paths[0]), "--json")
    with busy_machine():
        busy = lowhalf("run", str(paths[1]), "--json")
    assert (calm.returncode, busy.returncode) == (0, 0), busy.stderr
    assert calm.stdout == busy.stdout
    lines = [json.loads(line) for line in calm.stdout.splitlines()]
    assert [line["frame"] for line in lines] == list(range(FIRST, LAST + 1))
    one, two = (attempts(path, capsys) for path in paths)
    assert one["attempts"] == two["attempts"]
    # the recording has 60 frames a second, whatever the machine made of it
    assert [each["frames"] for each in one["attempts"]] == [239, 179]
    for each in one["attempts"]:
        assert each["seconds"] == pytest.approx(each["frames"] / 60, abs=1e-3)
    # as the tallies that the daemon kept are those that are counted anew
    assert main(["tally", str(paths[0]), "--json"]) == 0
    anew = json.loads(capsys.readouterr().out)
    kept = str(paths[0]).replace("one.bridge", "kept.bridge")
    Path(kept).write_text(
        paths[0].read_text("utf-8").replace('kind = "recording"', 'kind = "push"').replace(
            f'path = "{(SAMPLES / "demo.mcap").as_posix()}"', ""
        ).replace('pace = "all"', ""), "utf-8",
    )  # fmt: skip
    (tmp_path / "one.attempts.sqlite").rename(tmp_path / "kept.attempts.sqlite")
    assert main(["tally", kept, "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == anew


@pytest.mark.posix("looks at what a pipe holds")
def test_a_slow_reader_is_waited_for(tmp_path: Path) -> None:
    end, theirs = os.pipe()
    with Running("run", str(bridge(tmp_path, 'pace = "all"')), "--json", stdout=theirs) as command:
        os.close(theirs)
        until = time.monotonic() + 30
        seen = [0]
        while len(seen) < 20 or not seen[-20] or seen[-20] != seen[-1]:  # until it is full
            assert time.monotonic() < until, seen
            time.sleep(0.02)
            seen.append(_held(end))
        assert command.process.poll() is None
        with os.fdopen(end, encoding="utf-8") as reader:
            frames = [json.loads(line)["frame"] for line in reader]
        assert command.process.wait(20) == 0
    assert frames == list(range(FIRST, LAST + 1))


def _held(pipe: int) -> int:
    import array
    import fcntl
    import termios

    size = array.array("i", [0])
    fcntl.ioctl(pipe, termios.FIONREAD, size)
    return size[0]


def test_part_of_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = bridge(tmp_path, 'pace = "all"', "from_frame = 700", "to_frame = 709")
    done = lowhalf("run", str(path), "--json")
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert [line["frame"] for line in lines] == list(range(700, 710))
    assert "recording demo.mcap: begins at frame 700: functions over frames" in done.stderr
    # functions over frames begin there: what was before frame 700 is not known
    paces = [
        next(each for each in line["readings"] if each["watch"] == "pace") for line in lines[:2]
    ]
    assert [each["status"] for each in paces] == ["waiting", "ok"]
    # and tallies are of the same frames
    assert main(["tally", str(path)]) == 0
    assert "  0 moments" in capsys.readouterr().out


def test_a_script_asks_for_frames_by_lines(tmp_path: Path) -> None:
    end, ours = os.pipe()
    with Running("run", str(bridge(tmp_path, 'pace = "stepped"')), "--json", stdin=end) as command:
        os.close(end)
        for asked, last in ((b"\n", FIRST), (b"3\n", FIRST + 3), (b"\n\n", FIRST + 5)):
            os.write(ours, asked)
            command.wait_for(f'"frame":{last},', printed=True)
            assert json.loads(command.printed[-1])["frame"] == last
        os.write(ours, b"some\n-2\n")
        words = "standard input: expected an empty line or a number of frames, found"
        assert command.wait_for(f'{words} "-2"')
        assert command.wait_for(f'{words} "some"')
        os.write(ours, b"2")  # a last line without its end
        os.close(ours)
        assert command.process.wait(20) == 0
        command.wait_for("recording demo.mcap: no more frames are asked for")
    frames = [json.loads(line)["frame"] for line in command.printed]
    assert frames == list(range(FIRST, FIRST + 8))


def test_a_script_that_asks_for_more_than_there_are(tmp_path: Path) -> None:
    lines = tmp_path / "lines"
    lines.write_text("5000\n", "utf-8")
    with lines.open() as asked:
        path = bridge(tmp_path, 'pace = "stepped"', "from_frame = 1580")
        with Running("run", str(path), "--json", stdin=asked.fileno()) as command:
            assert command.process.wait(20) == 0
            command.wait_for("recording demo.mcap: has ended")
    assert [json.loads(line)["frame"] for line in command.printed] == list(range(1580, LAST + 1))


@pytest.mark.parametrize(("line", "frames"), [("", 1), (" \r", 1), ("1", 1), (" 20 \r", 20)])
def test_what_a_line_asks_for(line: str, frames: int) -> None:
    assert frames_asked(line) == frames


@pytest.mark.parametrize("line", ["0", "-1", "1.5", "x", "²", "٣", str(MAX_STEPS + 1), "9" * 5000])
def test_what_a_line_cannot_ask_for(line: str) -> None:
    with pytest.raises(ValueError, match="expected an empty line or a number of frames, found"):
        frames_asked(line)


def test_a_frame_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = bridge(tmp_path, 'pace = "all"', "from_frame = 3")
    assert main(["run", str(path), "--json"]) != 0
    expected = "recording demo.mcap: has no frame 3: it holds frames 392 to 1591"
    assert expected in capsys.readouterr().err


def test_what_contradicts_itself(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(bridge(tmp_path, 'pace = "all"', "speed = 2.0"))]) == 2
    expected = 'source: speed goes by the clock, and pace = "all" has none'
    assert expected in capsys.readouterr().err
