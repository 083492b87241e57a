"""``lowhalf attempts`` by sessions and by windows, over a file that was written beforehand."""

from __future__ import annotations

import csv
import io
import json
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from adapters.commands.attempting.choosing import time_since
from adapters.commands.main import main
from adapters.json_forms.shapes import FORMS
from adapters.practice_log import database
from adapters.practice_log.ownership import Ownership
from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.steps import StepOutcome, StepResult
from bridge.practice.windows import Window
from tests.commands import practice_files

DAY = datetime(2026, 11, 25, 20, 0, 0).astimezone()
"""The first session; the second is the day after, the third another day later."""
FRAMES = [9, 12, 10, 13, 15, 12, None, 11, 14, 17]


def made(number: int) -> Attempt:
    """Four attempts in the first session, three in each other one."""
    session = 1 if number < 5 else 2 if number < 8 else 3
    began = DAY + timedelta(days=session - 1, minutes=number)
    timing = Window(11, 14).judge(FRAMES[number - 1], 2 if number == 4 else 0)
    good = timing.by == 0
    outcome = StepOutcome.DONE if good else StepOutcome.FAILED
    steps = (
        StepResult("corner", StepOutcome.DONE, 0, 10, 0.1, 10),
        StepResult("door", outcome, 0, 15, 0.2, 15, timing=timing, too_soon=int(number == 9)),
    )
    return Attempt(
        *(number, "print", 100 * number, began.timestamp()),
        *(Outcome.SUCCESS if good else Outcome.FAILED, "" if good else "door"),
        "" if good else timing.reason,
        frames=20 + number,
        seconds=0.5,
        steps=steps,
        frames_seen=20 + number,
        session=session,
        by_hand=number == 2,
        undone=number == 8,
    )


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    path = practice_files.write(tmp_path, laps=1)
    opened = database.open_for_writing(tmp_path / "p.attempts.sqlite")
    for number in range(1, 11):
        database.write_attempt(opened.connection, made(number))
    opened.close()
    return path


Said = Callable[..., str]


@pytest.fixture
def said(kept: Path, capsys: pytest.CaptureFixture[str]) -> Said:
    """What ``lowhalf attempts`` prints of that file."""

    def command(*words: str, code: int = 0) -> str:
        assert main(["attempts", str(kept), *words]) == code
        told = capsys.readouterr()
        return told.out or told.err

    return command


def found(said: Said, *words: str) -> Any:
    answer = json.loads(said("--json", *words))
    Draft202012Validator(FORMS["attempts"].model_json_schema()).validate(answer)
    return answer


def test_totals_are_of_the_session_and_of_all(said: Said) -> None:
    lines = said("--session", "2").splitlines()
    # 12, 13, 12, 14 and 11 are right, of which the last was taken back
    assert lines[:3] == [
        "p.attempts.sqlite: 4 of 9, 44 % (19 to 73 %) succeeded; 1 taken back",
        "session 2: 1 of 3, 33 % (6 to 79 %) succeeded",
        "time of a success: best 26 frames (0.50 s), median 26 frames (0.50 s)",
    ]
    assert lines[6].split()[:6] == ["door", "1", "of", "3,", "33", "%"]
    assert [line.split()[0] for line in lines[9:]] == ["5", "6", "7"]
    last = said("--session", "last").splitlines()
    assert last[1] == "session 3: 1 of 2, 50 % (9 to 91 %) succeeded; 1 taken back"
    # without a choice the newest session is told beside all
    plain = said().splitlines()
    assert plain[1] == last[1]
    assert [line.split()[:2] for line in plain[9:]] == [
        [str(number), str(1 + (number > 4) + (number > 7))] for number in range(1, 11)
    ]
    assert "success, by hand" in plain[10]
    assert "success, taken back" in plain[16]


def test_the_same_in_json(said: Said) -> None:
    answer = found(said, "--session", "2")
    assert (answer["totals"]["attempts"], answer["totals"]["undone"]) == (9, 1)
    chosen = answer["chosen"]
    assert (chosen["session"], chosen["since"], chosen["attempts"]) == (2, None, 3)
    assert [(s["session"], s["successes"], s["attempts"]) for s in answer["sessions"]] == [
        *((1, 2, 4), (2, 1, 3), (3, 1, 2)),
    ]
    assert [one["attempt"] for one in answer["attempts"]] == [5, 6, 7]
    assert answer["timing"][0]["right"]["count"] == 3
    everything = found(said)
    assert everything["chosen"] is None
    told = {one["attempt"]: one for one in everything["attempts"]}
    assert [n for n, one in told.items() if one["by_hand"]] == [2]
    assert [n for n, one in told.items() if one["undone"]] == [8]
    assert told[3]["steps"][1]["timing"] == {
        "verdict": "early",
        "by": 1,
        "frames": 10,
        "window": [11, 14],
        "unsure": 0,
    }


def test_since_a_time(said: Said) -> None:
    second = f"{DAY + timedelta(days=1):%Y-%m-%d}"
    assert [a["attempt"] for a in found(said, "--since", second)["attempts"]] == [5, 6, 7, 8, 9, 10]
    moment = (DAY + timedelta(minutes=3)).isoformat()
    answer = found(said, "--since", moment, "--session", "1")
    assert [a["attempt"] for a in answer["attempts"]] == [3, 4]
    assert answer["chosen"]["since"] == (DAY + timedelta(minutes=3)).timestamp()
    words = said("--since", moment).splitlines()[1]
    assert words.startswith("since 2026-11-25 20:03:00: 3 of 7, 43 %")


def test_what_since_may_be() -> None:
    now = time.time()
    for text, age in (("2 h", 7200), ("2h", 7200), ("90 s", 90), ("10min", 600), ("90", 90)):
        assert time_since(text) == pytest.approx(now - age, abs=60)
    assert (
        time_since("2026-11-27T19:30Z")
        == datetime(2026, 11, 27, 19, 30).timestamp()
        + (datetime(2026, 11, 27, 19, 30).astimezone().utcoffset() or timedelta()).total_seconds()
    )
    # a time of day alone is the newest that there was
    assert now - 86400 - 3660 <= time_since("00:00") <= now
    assert time_since(f"{datetime.now() - timedelta(minutes=5):%H:%M}") == pytest.approx(
        now - 300, abs=130
    )


@pytest.mark.parametrize("text", ["yesterday", "2 weeks", "2026-13-01", "25:00", ""])
def test_what_since_may_not_be(said: Said, capsys: pytest.CaptureFixture[str], text: str) -> None:
    with pytest.raises(SystemExit):
        said("--since", text)
    assert (
        "argument --since: expected a date, a time or an age, as 2026-11-27, 2026-11-27T19:30, "
        f'19:30 or "2 h", found "{text}"' in capsys.readouterr().err
    )


def test_a_session_that_is_not_there(said: Said, capsys: pytest.CaptureFixture[str]) -> None:
    assert "there is no session 9: there is 1 to 3" in said("--session", "9", code=2)
    with pytest.raises(SystemExit):
        said("--session", "first")
    assert 'expected a number from 1 on, or last, found "first"' in capsys.readouterr().err


def test_notes(said: Said, kept: Path) -> None:
    assert said("--note", "held  left\nall the way") == "session 3: held left all the way\n"
    # while a lowhalf writes the file, too
    owner = Ownership(kept.with_name("p.attempts.sqlite"))
    try:
        assert said("--session", "1", "--note", "=tired") == "session 1: =tired\n"
    finally:
        owner.close()
    lines = said("--sessions").splitlines()
    assert lines[1].startswith("session 3 (held left all the way): 1 of 2, 50 %")
    rows = [line.split("  ") for line in lines[4:]]
    assert [row[0].strip() for row in rows] == ["session", "1", "2", "3", "all"]
    assert lines[5].endswith("=tired")
    assert "2 of 4, 50 % (15 to 85 %)  22 frames  23 frames" in lines[5]
    assert lines[8].split()[:4] == ["all", "4", "of", "9,"]
    assert found(said)["sessions"][2]["note"] == "held left all the way"
    table = list(csv.DictReader(io.StringIO(said("--sessions", "--csv"))))
    assert [(row["session"], row["successes"], row["attempts"]) for row in table] == [
        *(("1", "2", "4"), ("2", "1", "3"), ("3", "1", "2"), ("all", "4", "9")),
    ]
    assert [row["note"] for row in table] == ["'=tired", "", "held left all the way", ""]
    assert said("--note", "") == "session 3: has no note now\n"
    assert found(said)["sessions"][2]["note"] == ""


def test_the_histogram(said: Said) -> None:
    lines = said("--timing").splitlines()
    # 9, 12, 10, 13, 15, 12, before, 14 and 17: the eighth was taken back
    assert lines[3:] == [
        "",
        "door, frames 11 to 14: 4 of 9, 44 % (19 to 73 %) right; 3 early, 2 late",
        "  early  9  #################### 1".replace("#", "<"),
        "  early 10  #################### 1".replace("#", "<"),
        "  right 11",
        "  right 12  ######################################## 2",
        "  right 13  ???????????????????? 1",
        "  right 14  #################### 1",
        "  late  15  #################### 1".replace("#", ">"),
        "  late  16",
        "  late  17  #################### 1".replace("#", ">"),
        "  done before the moment came: 1",
        "  acted too soon, while it waited for its begin: 1",
        "  median 12.5, half of them 11.5 to 14.25, all 9 to 17",
        "  right, had the window been a frame wider: 10 to 14: 5 of 9, 56 % (27 to 81 %); "
        "11 to 15: 5 of 9, 56 % (27 to 81 %); 10 to 15: 6 of 9, 67 % (35 to 88 %)",
        "  frames were missed around 1: those may be others (?)",
    ]
    second = said("--timing", "--session", "2").splitlines()
    assert "door, frames 11 to 14: 1 of 3, 33 % (6 to 79 %) right; 1 early, 1 late" in second
    none = said("--timing", "--since", "2100-01-01").splitlines()
    assert none[-1] == "no step with a window was done in these"


def test_the_histogram_as_csv_and_json(said: Said) -> None:
    rows = list(csv.reader(io.StringIO(said("--timing", "--csv"))))
    assert rows[0] == [
        *("step", "window_first", "window_last", "verdict", "frames", "count", "unsure"),
    ]
    assert rows[1] == ["door", "11", "14", "early", "", "1", "0"]
    assert [row[3:] for row in rows[4:6]] == [["right", "12", "2", "0"], ["right", "13", "1", "1"]]
    assert sum(int(row[5]) for row in rows[1:]) == 9
    (timing,) = found(said, "--timing")["timing"]
    assert (timing["step"], timing["window"], timing["before"], timing["too_soon"]) == (
        *("door", [11, 14], 1, 1),
    )
    assert timing["wider"]["good"] == 6


def test_columns_of_attempts_as_csv(said: Said) -> None:
    rows = list(csv.DictReader(io.StringIO(said("--csv"))))
    assert [row["verdict of door"] for row in rows[:3]] == ["early", "right", "early"]
    assert [row["since moment of door"] for row in rows[5:8]] == ["12", "", "11"]
    assert [row["session"] for row in rows] == ["1"] * 4 + ["2"] * 3 + ["3"] * 3
    assert [row["undone"] for row in rows[7:9]] == ["true", "false"]
    assert [row["by_hand"] for row in rows[:2]] == ["false", "true"]
