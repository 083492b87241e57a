"""Which lines the terminal view has at which size, and how each state looks."""

from __future__ import annotations

import os
import re
import unicodedata
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cached_cell_len

from adapters.outputs.terminal.line import Alphabet, Line, Style, columns
from adapters.outputs.terminal.painter import Painter
from adapters.outputs.terminal.practice_lines import score_line, step_line
from adapters.outputs.terminal.table import TerminalTable
from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.progress import Phase, Practice
from bridge.practice.totals import Rate, Score
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status
from bridge.values.value_type import INTEGER, TEXT
from tests.adapters.made_frames import EAST, HALF, OIL, forty, frame, good, three

OWN = re.compile(r"\x1b\[(?:\?25[hl]|[0-9;]*[ABGHJKm])|\r\n?")
TURNING = Practice(
    Phase.RUNNING,
    step="half a turn",
    index=2,
    steps=5,
    frames=148,
    hint="hold the stick to the left",
    reason="done: courier.held is null",
    attempt=18,
    attempt_frames=400,
    last=Attempt(17, "first-print", 1, 1.0, Outcome.FAILED, "half a turn"),
    score=Score(Rate(9, 17), streak=2),
)


def words(line: Line) -> str:
    return "".join(text for text, _ in line)


def view(
    shown: Frame, columns: int, lines: int, encoding: str = "utf-8", outputs: tuple[str, ...] = ()
) -> list[str]:
    size = os.terminal_size((columns, lines))
    return [words(line) for line in TerminalTable(encoding).frame(shown, 0.0, size, outputs)]


def practising(number: int = 812) -> Frame:
    return replace(forty(number), practice=TURNING, note="the counter stands still")


def test_a_large_terminal_shows_everything() -> None:
    lines = view(replace(three(812), practice=TURNING), 120, 40, outputs=("mqtt connected",))
    assert lines == [
        "frame 812  first-print  fake pier  guarded",
        "812 frames  2 skipped  1 torn  mqtt connected",
        "step 2 of 5  half a turn  148 frames  hold the stick to the left  "
        "(done: courier.held is null)",
        "9 of 17, 53 % (31 to 74 %)  2 in a row  attempt 18, 400 frames  "
        "last failed at half a turn",
        "watch              value  target         address     reason",
        "Lamp oil             812                 0x80102A40",
        "East of the pier  117.25  ○ +2.75 to go  0x80102A6C",
        "Written half           -  × null                     courier.held is null",
    ]


def test_frames_that_were_missed_and_a_long_attempt_stand_out() -> None:
    last = replace(TURNING.last or Attempt(1, "", 1, 1.0), frames=80, frames_seen=77)
    practice = replace(
        TURNING,
        attempt_frames=41_000,
        attempt_frames_seen=40_996,
        attempt_whole=False,
        attempt_long=True,
        last=last,
        score=Score(Rate(9, 17), not_whole=2),
    )
    line = score_line(practice, Alphabet("utf-8"), 200)
    assert words(line) == (
        "9 of 17, 53 % (31 to 74 %)  attempt 18, 41,000 frames, 4 missed, unusually long  "
        "last failed at half a turn, 3 of 80 frames missed  2 with frames missed"
    )
    warned = [text for text, style in line if style is Style.WARNING]
    assert [text.split()[0] for text in warned] == ["attempt", "last"]
    calm = score_line(TURNING, Alphabet("utf-8"), 200)
    assert Style.WARNING not in {style for _, style in calm}


def test_a_short_terminal_shows_what_matters_most() -> None:
    assert view(practising(), 40, 8) == [
        "frame 812  first-print  fake pier",
        "step 2 of 5  half a turn  148 frames",
        "9 of 17, 53 % (31 to 74 %)  2 in a row",
        "the counter stands still",
        "Buoy 0    812",
        "Buoy 1    813",
        "Buoy 2    814",
        "38 more lines, in a taller window",
    ]


def test_counts_come_back_before_the_last_watches() -> None:
    lines = view(practising(), 80, 12)
    assert lines[1] == "812 frames  2 skipped  1 torn"
    assert sum(line.startswith("Buoy") for line in lines) == 6
    assert lines[-1] == "34 more lines, in a taller window"


@pytest.mark.parametrize("height", range(1, 50))
def test_what_is_left_out_is_counted(height: int) -> None:
    lines = view(practising(), 60, height)
    assert len(lines) <= height
    assert lines[0].startswith("frame 812")
    # title, counts, two of practice, note, 40 watches; the heading is only there where it fits
    content = [line for line in lines if "in a taller" not in line and "watch  " not in line]
    if height == 1:
        assert len(lines) == 1
    elif len(content) == 45:
        assert len(lines) == (46 if height > 45 else 45)
    else:
        left = 45 - len(content)
        assert lines[-1] == f"{left} more line{'s' * (left != 1)}, in a taller window"


def columns_of(text: str) -> int:
    """Source: Unicode Standard Annex #11: wide and full-width letters take two columns."""
    return sum(2 if unicodedata.east_asian_width(letter) in "WF" else 1 for letter in text)


@pytest.mark.parametrize("columns", [1, 2, 5, 11, 12, 20, 28, 40, 59, 60, 80, 90, 119, 300])
@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_no_line_is_wider_than_the_terminal(columns: int, encoding: str) -> None:
    odd = Watch("odd", "灯台への近道をさがすひと", "odd", TEXT)
    readings = [*three(812).readings, good(odd, "長い長い長い長い長い文字列" * 4)]
    shown = replace(frame(812, readings, note="low tide " * 30), practice=TURNING)
    lines = view(shown, columns, 30, encoding)
    assert lines
    for line in lines:
        assert columns_of(line) <= columns


def test_at_40_columns_name_value_and_state_are_there() -> None:
    # without "to go", which the ring and the sign say as well
    assert view(three(812), 40, 12)[3:] == [
        "Lamp oil             812",
        "East of the pier  117.25  ○ +2.75",
        "Written half           -  × null",
    ]


@pytest.mark.parametrize(
    ("reading", "unicode", "ascii_only", "style"),
    [
        (good(EAST, 120.0), "● hit", "* hit", Style.HIT),
        (good(EAST, 117.0), "○ +3.00 to go", "o +3.00 to go", Style.MISS),
        (Reading(HALF, Status.FREED, 5), "▲ freed", "! freed", Style.WARNING),
        (Reading(HALF, Status.NULL), "× null", "x null", Style.FAINT),
        (Reading(HALF, Status.OFFLINE, 5, age=7), "‖ offline 7 s", "= offline 7 s", Style.FAINT),
    ],
    ids=["hit", "to go", "freed", "null", "offline"],
)
def test_each_state_has_a_shape_and_a_word(
    reading: Reading, unicode: str, ascii_only: str, style: Style
) -> None:
    size = os.terminal_size((100, 10))
    row = TerminalTable("utf-8").frame(frame(1, [reading]), 0.0, size)[-1]
    assert (row[2][0].strip(), row[2][1]) == (unicode, style)
    row = TerminalTable("cp932").frame(frame(1, [reading]), 0.0, size)[-1]
    assert row[2][0].strip() == ascii_only


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp1252", "cp437", "koi8-r", "no-such"])
def test_other_encodings_hold_every_line(encoding: str) -> None:
    watch = Watch("turn", "Überfahrt 灯台 25°", "turn", INTEGER)
    shown = replace(frame(1, [good(watch, 5), good(EAST, 120.0)]), practice=TURNING)
    text = "\n".join(view(shown, 30, 6, encoding))
    text.encode("ascii" if encoding == "no-such" else encoding)
    assert "* hit" in text


def test_an_offline_source_is_told_first() -> None:
    last = three(812)
    lines = view(last.offline("the pier is gone", last.ticks + 61), 60, 20)
    assert lines[0].startswith("‖ offline 1 min  frame 812")
    assert "the pier is gone" in lines


@pytest.mark.parametrize(
    ("practice", "step", "score"),
    [
        (TURNING, "step 2 of 5  half a turn  148 frames", "9 of 17, 53 % (31 to 74 %)  2 in a row"),
        (
            replace(TURNING, phase=Phase.WAITING, frames=1, step="a very long name of a step"),
            "step 2 of 5  a v…  1 frame, yet to begin",
            "9 of 17, 53 % (31 to 74 %)  2 in a row",
        ),
        (
            Practice(Phase.BETWEEN, steps=5, score=Score()),
            "between attempts",
            "no attempt yet",
        ),
        (Practice(Phase.BETWEEN, steps=5), "before the first step", ""),
        (Practice(Phase.DONE, steps=5, index=0), "● all 5 steps done", ""),
        (
            Practice(Phase.RUNNING, attempt=3, attempt_frames=9, score=Score()),
            "under way  9 frames",
            "no attempt yet  attempt 3",
        ),
    ],
    ids=["running", "waiting", "between", "before", "done", "without steps"],
)
def test_the_lines_of_practice_at_40_columns(practice: Practice, step: str, score: str) -> None:
    alphabet = Alphabet("utf-8")
    assert words(step_line(practice, alphabet, 40)) == step
    assert words(score_line(practice, alphabet, 40)) == score


@given(
    texts=st.lists(st.text(st.characters(exclude_categories=())), min_size=6, max_size=6),
    encoding=st.sampled_from(["utf-8", "ascii", "cp437", "iso2022_jp"]),
    columns=st.integers(1, 140),
)
def test_no_text_of_the_guest_steers_the_terminal(
    texts: list[str], encoding: str, columns: int
) -> None:
    """Whatever a game, a schema or a source says: only the painter's own control functions."""
    label, value, reason, note, step, said = texts
    table, size = TerminalTable(encoding), os.terminal_size((columns, 20))
    readings = [
        good(Watch("w", label, "w", TEXT), value),
        Reading(HALF, Status.NULL, reason=reason),
    ]
    practice = replace(TURNING, step=step, hint=note, reason=reason)
    shown = replace(frame(1, readings, note=note), source=label, build=value, practice=practice)
    painter = Painter(colour=True)
    lines = table.frame(shown, 0.0, size, [note])
    drawing = painter.paint(table.waiting([OIL], size), size)
    drawing += painter.paint(lines, size, [table.text(said)]) + painter.end()
    rest = OWN.sub("", drawing)
    assert all(letter.isprintable() for letter in rest)
    rest.encode(encoding)


def test_a_resized_terminal_gets_new_columns() -> None:
    table = TerminalTable("utf-8")
    wide = frame(1, [good(Watch("long", "A long label that takes much room", "l", INTEGER), 1)])
    table.frame(wide, 0.0, os.terminal_size((120, 20)))
    line = words(table.frame(frame(2, [good(OIL, 1)]), 0.0, os.terminal_size((60, 20)))[-1])
    assert line == "Lamp oil      1"


def test_columns_are_counted_without_keeping_what_changes_with_each_frame() -> None:
    """rich is right about wide letters, and keeps thousands of texts; numbers are not given it."""
    assert [columns(text) for text in ("", "oil 812", "● hit", "灯台", "e\u0301")] == [
        0,
        7,
        5,
        4,
        1,
    ]
    kept = cached_cell_len.cache_info().currsize
    for number in range(500):
        (line,) = (
            each for each in view(frame(number, [good(OIL, number)]), 80, 24) if "oil" in each
        )
        assert line.split() == ["Lamp", "oil", str(number)]
    assert cached_cell_len.cache_info().currsize < kept + 100
