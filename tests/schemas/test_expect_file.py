"""The file of expectations: every fault with file, line, found and nearest."""

from __future__ import annotations

from pathlib import Path
from typing import get_args

import pytest

from bridge.values.status import Status
from schemas.errors import ExpectFileError
from schemas.expect_file import ExpectTable, StatusName, load_expectations

GOOD = """\
bridge = "t.bridge.toml"
[[moments]]
dump = "a.bin"
expect = [
    { watch = "low_x", value = 3 },
    # a comment
    { expr = "courier.facing", between = [1, 2] },
]
[[moments]]
recording = "b.mcap"
first = "x > 3"
[[moments.expect]]
watch = "kind"
status = "null"
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "t.expect.toml"
    path.write_text(text, "utf-8")
    return path


def test_each_expectation_is_on_its_line_in_both_ways_of_writing(tmp_path: Path) -> None:
    found = load_expectations(write(tmp_path, GOOD))
    assert found.lines() == [[5, 7], [12]]
    assert [moment.name for moment in found.file.moments] == ["a.bin", "b.mcap, first x > 3"]
    assert found.directory == tmp_path


def test_its_statuses_are_those_that_kept_memory_can_give() -> None:
    assert set(get_args(StatusName)) == {str(s) for s in Status} - {"offline"}


@pytest.mark.parametrize("status", Status)
def test_a_value_goes_with_the_statuses_that_have_one(status: Status) -> None:
    if status is Status.OFFLINE:
        return
    try:
        ExpectTable.model_validate({"watch": "x", "value": 1, "status": str(status)})
        fits = True
    except ValueError:
        fits = False
    assert fits is status.has_value


WRONG = [
    ('watch = "low_x"', 'watsh = "low_x"', 5, "unknown key; did you mean watch?"),
    ("value = 3 }", "value = 3, near = 3, within = 1 }", 5, "at most one of value, between and"),
    ('watch = "low_x", value', "value", 5, "expected one of watch and expr"),
    ("value = 3 }", 'expr = "1", value = 3 }', 5, "expected one of watch and expr"),
    (", value = 3 }", " }", 5, "expected value, between, near, text or status"),
    ("value = 3 }", "near = 3 }", 5, "near and within go together"),
    ("value = 3 }", "value = [3] }", 5, "expected a number, true or false, or a text"),
    ("value = 3 }", 'value = 3, status = "null" }', 5, "a reading that is null has no value"),
    ("value = 3 }", 'status = "fred" }', 5, 'found "fred"; did you mean freed?'),
    ("between = [1, 2]", "between = [1, 'b']", 7, 'expected a number, found "b"'),
    ("between = [1, 2]", "between = 1", 7, "expected an array, found 1"),
    ('dump = "a.bin"', 'dump = "a.bin"\nframe = 3', 2, "frame and first are for recordings"),
    ('dump = "a.bin"', "", 2, "expected one of dump and recording"),
    ('dump = "a.bin"', "dump = 'a'\nrecording = 'b'", 2, "expected one of dump and recording"),
    ('first = "x > 3"', "", 9, "expected one of frame and first beside recording"),
    ('first = "x > 3"', "first = 'x'\nframe = 3", 9, "expected one of frame and first beside"),
    ('first = "x > 3"', "frame = 1.5", 11, "expected an integer, found 1.5"),
    ('bridge = "t.bridge.toml"', "", 0, "bridge: is missing"),
    ('bridge = "t.bridge.toml"', "bridge = 3", 1, "expected a text, found 3"),
    ("[[moments.expect]]", "[[moments.expect]", 12, "is not TOML"),
]


@pytest.mark.parametrize(("old", "new", "line", "words"), WRONG)
def test_a_fault_is_told_with_its_line(
    tmp_path: Path, old: str, new: str, line: int, words: str
) -> None:
    assert old in GOOD
    path = write(tmp_path, GOOD.replace(old, new, 1))
    with pytest.raises(ExpectFileError) as caught:
        load_expectations(path)
    assert words in str(caught.value)
    assert caught.value.line == line
    assert str(caught.value).startswith(f"{path}:{line}: " if line else f"{path}: ")


def test_nothing_expected_and_no_moment(tmp_path: Path) -> None:
    for text in ('bridge = "b"\nmoments = []\n', "bridge = 'b'\n"):
        with pytest.raises(ExpectFileError, match=r"moments: (expected at least 1|is missing)"):
            load_expectations(write(tmp_path, text))
    text = "bridge = 'b'\n[[moments]]\ndump = 'a'\nexpect = []\n"
    with pytest.raises(ExpectFileError, match=r":4: moments.0.expect: expected at least 1"):
        load_expectations(write(tmp_path, text))
