"""``lowhalf attempts``, after real runs of the daemon over a recording; one is killed outright."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import re
import sqlite3
import time
from pathlib import Path
from typing import Any

import pytest

from adapters.commands.main import main
from adapters.practice_log import database
from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.steps import StepOutcome, StepResult
from tests.commands import practice_files
from tests.commands.command import Running, lowhalf

SAMPLES = Path(__file__).parents[2] / "sample_dumps"


def attempts(path: Path, *words: str) -> Any:
    done = lowhalf("attempts", str(path), "--json", *words)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bridge file whose recording was played once, at half its pace.

    A machine that is busy may miss frames, so where a number depends on the very frame that was
    sampled there is some room for it; what happened in which lap is exact.
    """
    path = practice_files.write(tmp_path_factory.mktemp("played"), speed=0.5)
    done = lowhalf("run", str(path), "--quiet")
    assert done.returncode == 0, done.stderr
    return path


def test_everything_of_a_run_is_kept(played: Path) -> None:
    found = attempts(played)
    assert (found["file"], found["running"]) == ("p.attempts.sqlite", False)
    # laps 2, 4 and 5 reach the door; the last one, a fall, is the sixth
    outcomes = [(one["outcome"], one["step"]) for one in found["attempts"]]
    assert outcomes == [
        ("success", None),
        ("failed", "door"),
        ("success", None),
        ("success", None),
        ("failed", "door"),
    ]
    assert [one["frames"] for one in found["attempts"]] == pytest.approx([25] * 5, abs=4)
    began = [one["began_frame"] for one in found["attempts"]]
    assert began == pytest.approx([130, 160, 190, 220, 250], abs=4)
    assert [one["kept"]["half"]["text"] for one in found["attempts"]] == [
        *("0x2B6D", "0x1111", "0x2B6D", "0x2B6D", "0x1111"),
    ]
    corner, door = found["attempts"][1]["steps"]
    assert (corner["step"], corner["outcome"]) == ("corner", "done")
    assert (door["step"], door["outcome"]) == ("door", "failed")
    assert [corner["frames"], door["frames"]] == pytest.approx([10, 15], abs=4)
    totals = found["totals"]
    assert (totals["attempts"], totals["successes"], totals["streak"]) == (5, 3, 0)
    assert totals["rate"] == 0.6
    # Wilson for 3 of 5 at 95 %, by the closed formula with z = 1.96: 0.2307 to 0.8824
    assert totals["interval"] == pytest.approx([0.2307, 0.8824], abs=1e-4)
    times = sorted(a["frames"] for a in found["attempts"] if a["outcome"] == "success")
    assert totals["frames"] == {"best": times[0], "median": times[1]}
    # in the recording 60 a second, though they were played at 30
    assert totals["seconds"]["median"] == pytest.approx(times[1] / 60, abs=1e-6)
    assert [(s["step"], s["good"], s["count"], s["failed"]) for s in found["steps"]] == [
        ("corner", 5, 5, 0),
        ("door", 3, 5, 2),
    ]


def test_the_table(played: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["attempts", str(played)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "p.attempts.sqlite: 3 of 5, 60 % (23 to 88 %) succeeded"
    # a busy machine may miss frames, and then says so
    lines = [line for line in lines if "missed" not in line and "may hide" not in line]
    assert re.fullmatch(
        r"time of a success: best 2\d frames \([01]\.\d\d s\), median 2\d frames \(.* s\)", lines[1]
    )
    assert lines[3].split() == ["step", "done", "failed", "given", "up", "best", "median"]
    assert "5 of 5, 100 % (57 to 100 %)" in lines[4]
    assert lines[5].startswith("door    3 of 5, 60 % (23 to 88 %)    2       0")
    assert [word for word in lines[7].split() if word != "seen"] == [
        *("attempt", "began", "frames", "seconds", "outcome", "half"),
    ]
    assert len(lines) == 13
    assert "failed at door" in lines[-1]
    assert lines[-1].endswith("0x1111")


def test_only_the_last(played: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = attempts(played, "--last", "2")
    assert [one["attempt"] for one in found["attempts"]] == [4, 5]
    assert found["totals"]["attempts"] == 5
    assert main(["attempts", str(played), "--last", "0"]) == 0
    assert "outcome" not in capsys.readouterr().out


def test_csv(played: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["attempts", str(played), "--csv"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [(row["attempt"], row["outcome"], row["half"]) for row in rows] == [
        ("1", "success", str(0x2B6D)),
        ("2", "failed", str(0x1111)),
        ("3", "success", str(0x2B6D)),
        ("4", "success", str(0x2B6D)),
        ("5", "failed", str(0x1111)),
    ]
    assert all(6 <= int(row["frames of corner"]) <= 14 for row in rows)
    assert rows[0]["build"] == "print"
    assert rows[0]["began"].endswith("+00:00")


def _told(number: int, outcome: Outcome, **others: Any) -> Attempt:
    """An attempt of 40 frames, 0.5 s, in which the corner took 10."""
    done = outcome is Outcome.SUCCESS
    last = StepOutcome.DONE if done else StepOutcome.FAILED
    seen = others.get("frames_seen")
    steps = (
        StepResult("corner", StepOutcome.DONE, 0, 10, 0.1, None if seen is None else 10),
        StepResult("door", last, 0, 30, 0.4, None if seen is None else seen - 10),
    )
    return Attempt(
        *(number, "print", 100 * number, 0.0, outcome, "" if done else "door"),
        frames=40,
        seconds=0.5,
        steps=steps,
        **others,
    )


@pytest.fixture
def missed(tmp_path: Path) -> Path:
    """Attempts of which one was seen whole, one in part, one is in doubt, and one is not known."""
    path = practice_files.write(tmp_path, laps=1)
    opened = database.open_for_writing(tmp_path / "p.attempts.sqlite")
    for attempt in (
        _told(1, Outcome.SUCCESS, frames_seen=40),
        _told(2, Outcome.FAILED, frames_seen=37, unseen_before=12),
        _told(3, Outcome.FAILED, frames_seen=40, doubtful=True),
        _told(4, Outcome.SUCCESS),
    ):
        database.write_attempt(opened.connection, attempt)
    opened.close()
    return path


def _shown(line: str) -> str:
    """A line of the table without the local time of day."""
    return re.sub(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d", "then", line)


def test_missed_frames_in_the_table(missed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["attempts", str(missed)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[:3] == [
        "p.attempts.sqlite: 2 of 4, 50 % (15 to 85 %) succeeded",
        "frames were missed in 2 of these; --whole leaves those out",
        "12 frames between attempts may hide more of them",
    ]
    assert [" ".join(_shown(line).split()) for line in lines[-5:]] == [
        "attempt began frames seen seconds outcome",
        "1 then 40 all 0.50 success",
        "2 then 40 37 of 40 0.50 failed at door",
        "3 then 40 in doubt 0.50 failed at door",
        "4 then 40 not known 0.50 success",
    ]


def test_only_whole_attempts(missed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["attempts", str(missed), "--whole"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[:2] == [
        "p.attempts.sqlite: 1 of 1, 100 % (21 to 100 %) succeeded",
        "left out: 3 of which frames were missed, or not counted",
    ]
    assert " ".join(_shown(lines[-2]).split()) == "attempt began frames seconds outcome"
    found = attempts(missed, "--whole")
    assert [one["attempt"] for one in found["attempts"]] == [1]
    totals = found["totals"]
    assert (totals["attempts"], totals["successes"], totals["left_out"]) == (1, 1, 3)
    assert totals["not_whole"] == 0
    assert main(["attempts", str(missed), "--whole", "--csv"]) == 0
    assert len(capsys.readouterr().out.splitlines()) == 2


def test_missed_frames_in_json_and_csv(missed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = attempts(missed)
    shown = [(a["frames_seen"], a["whole"], a["unseen_before"]) for a in found["attempts"]]
    assert shown == [(40, True, 0), (37, False, 12), (40, False, 0), (None, None, 0)]
    assert [(s["frames_seen"], s["whole"]) for s in found["attempts"][1]["steps"]] == [
        (10, True),
        (27, False),
    ]
    totals = found["totals"]
    assert (totals["not_whole"], totals["unseen_between"], totals["left_out"]) == (2, 12, 0)
    assert main(["attempts", str(missed), "--csv"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    names = ("frames_seen", "whole", "unseen_before", "whole corner", "whole door")
    assert [tuple(row[name] for name in names) for row in rows] == [
        ("40", "true", "0", "true", "true"),
        ("37", "false", "12", "true", "false"),
        ("40", "false", "0", "true", "true"),
        ("", "", "0", "", ""),
    ]


def test_what_is_printed_while_it_runs_says_the_same(tmp_path: Path) -> None:
    path = practice_files.write(tmp_path, speed=0.5, laps=3)
    done = lowhalf("run", str(path), "--json")
    assert done.returncode == 0, done.stderr
    shown = [json.loads(line)["practice"] for line in done.stdout.splitlines()]
    assert {p["step"] for p in shown} == {None, "corner", "door"}
    assert {p["hint"] for p in shown if p["step"] == "corner"} == {"hug the wall"}
    assert 10 <= max(p["frames"] for p in shown if p["step"] == "door") <= 18
    assert (shown[-1]["attempts"], shown[-1]["successes"]) == (2, 1)
    assert shown[-1]["last"]["step"] == "door"


def test_a_second_run_goes_on(tmp_path: Path) -> None:
    path = practice_files.write(tmp_path, speed=0.5, laps=3)
    for runs in (1, 2):
        assert lowhalf("run", str(path), "--quiet").returncode == 0
        found = attempts(path)
        assert [one["attempt"] for one in found["attempts"]] == list(range(1, 2 * runs + 1))
    assert found["totals"]["streak"] == 0


def test_without_a_file_or_without_attempts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = practice_files.write(tmp_path, laps=1)
    assert main(["attempts", str(path)]) == 2
    assert capsys.readouterr().err == (
        "lowhalf: attempts: p.attempts.sqlite is not there yet: lowhalf run makes it\n"
    )
    text = path.read_text("utf-8").partition("[attempts]")[0]
    path.write_text(text, "utf-8")
    assert main(["attempts", str(path)]) == 2
    assert "attempts: is missing: it says when an attempt begins" in capsys.readouterr().err


# killed outright


def rows(path: Path, select: str) -> list[tuple[Any, ...]]:
    """What is in the file, read by SQLite alone."""
    if not path.exists():
        return []
    with contextlib.closing(sqlite3.connect(path, timeout=5)) as connection:
        try:
            return connection.execute(select).fetchall()
        except sqlite3.OperationalError:  # its tables are being made
            return []


def wait_for(path: Path, select: str, seconds: float = 20) -> list[tuple[Any, ...]]:
    end = time.monotonic() + seconds
    while not (found := rows(path, select)):
        assert time.monotonic() < end, select
        time.sleep(0.002)
    return found


def is_sound(path: Path) -> bool:
    return rows(path, "PRAGMA integrity_check") == [("ok",)]


def test_killed_in_the_middle_of_an_attempt(tmp_path: Path) -> None:
    path = practice_files.write(tmp_path, speed=1, laps=60)
    kept = tmp_path / "p.attempts.sqlite"
    with Running("run", str(path), "--quiet") as daemon:
        wait_for(kept, "SELECT number FROM attempt WHERE number = 2 AND outcome = 'open'")
        assert attempts(path)["running"]
        assert attempts(path)["attempts"][0]["outcome"] == "success"
        ((number,),) = wait_for(kept, "SELECT number FROM attempt WHERE outcome = 'open'")
        daemon.process.kill()
        daemon.process.wait(10)
    found = attempts(path)
    assert not found["running"]
    last = found["attempts"][-1]
    assert last["attempt"] == number
    assert (last["outcome"], last["frames"], last["reason"]) == (
        "cut-off",
        None,
        "lowhalf was ended without being asked",
    )
    assert found["attempts"][0]["outcome"] == "success"
    assert found["attempts"][0]["kept"]["half"]["value"] == 0x2B6D
    assert is_sound(kept)
    # and the next run goes on behind it
    path.write_text(path.read_text("utf-8").replace("speed = 1\n", 'pace = "all"\n'), "utf-8")
    assert lowhalf("run", str(path), "--quiet").returncode == 0
    again = attempts(path)
    assert again["attempts"][number - 1] == last
    assert again["attempts"][number]["attempt"] == number + 1
    cut = [one for one in again["attempts"] if one["outcome"] == "cut-off"]
    assert [one["attempt"] for one in cut] == [number], cut
    assert again["totals"]["cut_off"] == 1


@pytest.mark.parametrize("turn", range(3))
def test_killed_right_after_a_success(tmp_path: Path, turn: int) -> None:
    path = practice_files.write(tmp_path, speed=1)
    kept = tmp_path / "p.attempts.sqlite"
    with Running("run", str(path), "--quiet") as daemon:
        wait_for(kept, "SELECT number FROM attempt WHERE outcome = 'success'")
        daemon.process.kill()
        daemon.process.wait(10)
    assert is_sound(kept)
    ((outcome, frames),) = rows(kept, "SELECT outcome, frames FROM attempt WHERE number = 1")
    assert outcome == "success"
    assert frames == pytest.approx(25, abs=8)
    assert rows(kept, "SELECT name, outcome FROM attempt_step WHERE attempt = 1") == [
        ("corner", "done"),
        ("door", "done"),
    ]
    assert attempts(path)["attempts"][0]["kept"]["half"]["text"] == "0x2B6D"


@pytest.mark.posix("a signal ends the daemon")
def test_a_daemon_that_is_asked_to_end_says_why_the_attempt_is_cut_off(tmp_path: Path) -> None:
    path = practice_files.write(tmp_path, speed=1)
    kept = tmp_path / "p.attempts.sqlite"
    with Running("run", str(path), "--quiet") as daemon:
        wait_for(kept, "SELECT number FROM attempt WHERE number = 2 AND outcome = 'open'")
        daemon.process.terminate()
        assert daemon.process.wait(10) == 0
    last = attempts(path)["attempts"][-1]
    assert (last["outcome"], last["reason"]) == ("cut-off", "lowhalf ended")
    assert last["frames"] is not None


@pytest.mark.posix("a signal ends the daemon")
def test_two_daemons_on_one_file(tmp_path: Path) -> None:
    path = practice_files.write(tmp_path, speed=1, repeat=True)
    kept = tmp_path / "p.attempts.sqlite"
    with Running("run", str(path), "--quiet") as first:
        wait_for(kept, "SELECT number FROM attempt")
        with Running("run", str(path), "--quiet") as second:
            line = second.wait_for("attempts: ")
            assert line == (
                "lowhalf: attempts: p.attempts.sqlite is written by another lowhalf; give each "
                "bridge a file of its own with file in [attempts]; nothing is kept in this run"
            )
            second.wait_for("build print")
            time.sleep(0.5)
            assert second.process.poll() is None
            second.process.terminate()
            assert second.process.wait(10) == 0
        assert first.process.poll() is None
        first.process.terminate()
        assert first.process.wait(10) == 0
    found = attempts(path)
    assert found["attempts"][-1]["outcome"] in ("cut-off", "success", "failed")
    assert [one["attempt"] for one in found["attempts"]] == list(
        range(1, len(found["attempts"]) + 1)
    )


def test_a_damaged_file_is_told_and_the_daemon_goes_on(tmp_path: Path) -> None:
    path = practice_files.write(tmp_path, speed=0.5, laps=2)
    (tmp_path / "p.attempts.sqlite").write_text("a shopping list\n" * 500)
    done = lowhalf("run", str(path), "--json")
    assert done.returncode == 0
    assert "p.attempts.sqlite is no database, or a damaged one; move it away" in done.stderr
    assert "nothing is kept in this run" in done.stderr
    last = json.loads(done.stdout.splitlines()[-1])["practice"]
    assert last["last"]["outcome"] == "success"
    assert (tmp_path / "p.attempts.sqlite").read_text() == "a shopping list\n" * 500


DEMO = """
[[steps]]
name = "take the lantern"
done = "courier.held.kind == ActorKind.lantern"
hint = "walk up to it"
[[steps]]
name = "carry it out"
done = "current_room.name == 'Gallery' and courier.held != 0"
fail = "ledger.put_down > 0"
[[steps]]
name = "wait for the gull"
done = "courier.held == stale_address and reuse_frame != 0"
[attempts]
begins = "change(script) > 0 and script >= Command.carry"
keep = ["room", "held_kind"]
"""


def test_the_demo_s_recording_with_steps(tmp_path: Path) -> None:
    """Tidewright itself: once the courier puts the lantern down, once carries it out."""
    text = (SAMPLES / "demo.bridge.toml").read_text("utf-8").partition("[[steps]]")[0]
    layout = (SAMPLES / "demo.layout.toml").as_posix()
    text = text.replace('"demo.layout.toml"', f'"{layout}"')
    text = text.replace("../schemas", (SAMPLES.parent / "schemas").as_posix())
    text = text.replace('"demo.mcap"', f'"{(SAMPLES / "demo.mcap").as_posix()}"\nrepeat = false')
    path = tmp_path / "demo.bridge.toml"
    path.write_text(text.replace("[source]", "[source]\nspeed = 4") + DEMO, "utf-8")
    done = lowhalf("run", str(path), "--json")
    assert done.returncode == 0, done.stderr
    shown = [json.loads(line)["practice"] for line in done.stdout.splitlines()]
    reasons = {p["reason"] for p in shown if p["step"] == "take the lantern"}
    assert reasons == {"done: courier.held is null"}
    # frames of the script in which the game does these things: tests/guest/make_samples.py
    failed, good = attempts(path)["attempts"]
    assert (failed["outcome"], failed["step"]) == ("failed", "carry it out")
    assert failed["frames"] == pytest.approx(239, abs=40)
    assert failed["kept"]["room"]["value"] == "Lantern Room"
    assert (good["outcome"], good["step"]) == ("success", None)
    assert [step["outcome"] for step in good["steps"]] == ["done", "done", "done"]
    assert good["steps"][0]["frames"] == pytest.approx(60, abs=40)
    assert good["kept"]["room"]["value"] == "Gallery"
