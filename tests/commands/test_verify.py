"""``lowhalf expect`` and ``lowhalf verify``: what is written passes, what differs is told."""

from __future__ import annotations

import asyncio
import json
import shutil
import struct
from collections.abc import Iterable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from adapters.commands.console import worker_processes
from adapters.commands.main import main
from lowhalf import frames, load_bridge
from tests.commands import files

SAMPLES = Path(__file__).parents[2] / "sample_dumps"
STALE = SAMPLES / "first-print-stale-hold.bridge.toml"
DEMO = SAMPLES / "demo.bridge.toml"
RECORDING = SAMPLES / "demo.mcap"

Capture = pytest.CaptureFixture[str]


def run(capsys: Capture, *words: object) -> tuple[int, list[str], list[str]]:
    """Exit code, lines printed, lines told."""
    code = main([str(word) for word in words])
    printed = capsys.readouterr()
    return code, printed.out.splitlines(), printed.err.splitlines()


def verified(capsys: Capture, *words: object) -> tuple[int, dict[str, Any]]:
    code, lines, _ = run(capsys, "verify", *words, "--json")
    (line,) = lines
    return code, json.loads(line)


def written(
    folder: Path, rows: Iterable[str], moment: str = 'dump = "t.bin"', name: str = "t"
) -> Path:
    """A file of expectations about the small dump, its first row on line 5."""
    files.write(folder)
    path = folder / f"{name}.expect.toml"
    lines = ['bridge = "t.bridge.toml"', "[[moments]]", moment, "expect = ["]
    path.write_text("\n".join([*lines, *(f"{{ {row} }}," for row in rows), "]", ""]), "utf-8")
    return path


@pytest.mark.parametrize(
    ("bridge", "dumps"),
    [
        (STALE, ["first-print-stale-hold.bin.gz", "second-print-carry.bin.gz"]),
        (SAMPLES / "export-carry.bridge.toml", ["export-carry.bin.gz", "demo.mcap"]),
        (DEMO, ["demo.mcap", "first-print-carry.bin.gz"]),
    ],
)
def test_what_expect_writes_holds(
    bridge: Path, dumps: list[str], tmp_path: Path, capsys: Capture
) -> None:
    path = tmp_path / "kept" / "all.expect.toml"
    path.parent.mkdir()
    paths = [SAMPLES / dump for dump in dumps]
    code, lines, told = run(capsys, "expect", bridge, "--dump", *paths, "--to", path)
    assert (code, told) == (0, [])
    assert lines[0].endswith(f"written to {path}; look through it, then: lowhalf verify {path}")
    code, found = verified(capsys, tmp_path)
    assert (code, found["failed"], found["failures"]) == (0, 0, [])
    assert found["passed"] == 2 * len(load_bridge(bridge).file.watches)
    text = path.read_text("utf-8")
    assert text.startswith("# What ")
    assert "status = " in text
    assert "[[moments]]  # build " in text


def test_a_frame_that_expect_is_asked_for(tmp_path: Path, capsys: Capture) -> None:
    path = tmp_path / "a.expect.toml"
    words = ["expect", DEMO, "--dump", RECORDING, "--to", path, "--frame"]
    assert run(capsys, *words, 700)[0] == 0
    assert "frame = 700\n" in path.read_text("utf-8")
    assert verified(capsys, path)[0] == 0
    code, lines, told = run(capsys, *words, 701)
    assert (code, lines) == (2, [])
    assert told == [f"lowhalf: {path}: is there already; --force replaces it"]
    assert run(capsys, *words, 701, "--force")[0] == 0
    assert "frame = 701\n" in path.read_text("utf-8")


def test_expect_passes_over_what_cannot_be_read(tmp_path: Path, capsys: Capture) -> None:
    bridge = files.write(tmp_path)
    code, lines, told = run(
        capsys, "expect", bridge, "--dump", tmp_path / "gone.bin", tmp_path / "t.bin"
    )
    assert (code, len(lines), len(told)) == (1, 1, 1)
    assert lines[0].startswith("2 expectations of 1 moment written to ")
    assert verified(capsys, tmp_path) == (0, {"passed": 2, "failed": 0, "failures": []})
    code, lines, told = run(capsys, "expect", bridge)
    assert told == ["lowhalf: expected --dump with the dumps or recordings that are looked at"]
    assert (code, lines) == (2, [])


X = struct.unpack(">f", struct.pack(">I", 0x3F9DF3B6))[0]
"""The lantern's position, as the IEEE 754 binary32 that files.py puts there."""

ROWS: list[tuple[str, str, str | None]] = [
    ('watch = "kind", value = "lantern"', "kind = lantern", None),
    ('watch = "kind", value = 2', "kind = 2", None),
    ('watch = "kind", value = "courier"', "kind = courier", "lantern (2)"),
    ('watch = "kind", text = "lantern"', 'kind = text "lantern"', None),
    ('watch = "kind", text = "Lantern"', 'kind = text "Lantern"', 'text "lantern"'),
    ('watch = "low_x", value = 0xF3B6', "low_x = 62390", None),
    ('watch = "low_x", value = 1', "low_x = 1", "62390"),
    ('watch = "low_x", text = "0xF3B6"', 'low_x = text "0xF3B6"', None),
    ('watch = "low_x", between = [62390, 62391]', "low_x = 62390 to 62391", None),
    ('watch = "low_x", between = [1, 62389]', "low_x = 1 to 62389", "62390"),
    ('watch = "low_x", near = 62400, within = 10', "low_x = 62400 ± 10", None),
    ('watch = "low_x", near = 62400, within = 9', "low_x = 62400 ± 9", "62390"),
    ('watch = "low_x", status = "null"', "low_x = null", "62390"),
    ('watch = "low_x", status = "ok"', "low_x = ok", None),
    (f'expr = "courier.held.position.x", value = {X!r}', "courier.held.position.x = 1.234", None),
    ('expr = "courier.held.position.x", value = 1.2', "courier.held.position.x = 1.2", "1.234"),
    ('expr = "courier.held.held.kind", status = "null"', "courier.held.held.kind = null", None),
    ('expr = "courier.held.held.kind", value = 2', "courier.held.held.kind = 2", "null: courier.h"),
    ('expr = "low_x > 5", value = true', "low_x > 5 = true", None),
    ('expr = "low_x > 99999", value = true', "low_x > 99999 = true", "false"),
    ('expr = "1 / (low_x - 62390)", status = "error"', "1 / (low_x - 62390) = error", None),
]


def test_each_way_to_expect_and_what_is_found(tmp_path: Path, capsys: Capture) -> None:
    path = written(tmp_path, [row for row, _, _ in ROWS])
    wrong = [(number, row) for number, row in enumerate(ROWS, 5) if row[2] is not None]
    code, found = verified(capsys, path)
    assert (code, found["passed"], found["failed"]) == (1, len(ROWS) - len(wrong), len(wrong))
    assert [failure["line"] for failure in found["failures"]] == [number for number, _ in wrong]
    for failure, (_, (_, expected, instead)) in zip(found["failures"], wrong, strict=True):
        assert failure["file"] == str(path)
        assert failure["expected"].startswith(expected)
        assert failure["found"].startswith(str(instead))
    code, lines, _ = run(capsys, "verify", path, "--all")
    assert code == 1
    assert len(lines) == len(ROWS) + 1
    for number, (line, (_, expected, instead)) in enumerate(zip(lines, ROWS, strict=False), 5):
        assert line.startswith(f"{path}:{number} ")
        assert expected in line
        assert ("  as expected" in line) is (instead is None)
    assert lines[-1] == f"{len(ROWS) - len(wrong)} as expected, {len(wrong)} not"
    code, lines, _ = run(capsys, "verify", path)
    assert (code, len(lines)) == (1, len(wrong) + 1)


def first_number(expression: str) -> int:
    """The first frame of the demo's recording in which an expression holds, by the Python API."""

    async def look() -> int:
        async for frame in frames(load_bridge(DEMO), watches=[expression]):
            if frame[expression].status.has_value and frame[expression].value:
                return frame.number
        raise AssertionError(expression)

    return asyncio.run(look())


def test_moments_of_a_recording_are_found_in_one_pass(tmp_path: Path, capsys: Capture) -> None:
    held = "courier.held.kind == ActorKind.gull"
    number = first_number(held)
    counter = "frame_began"  # what numbers the frames, so each moment is told by another way
    moments = [
        ("frame = 800", 800),
        (f'first = "{held}"', number),
        ("frame = 392", 392),
        (
            'first = "frames_of(courier.held != 0) == 20"',
            first_number("frames_of(courier.held != 0) == 20"),
        ),
    ]
    text = f"bridge = '{DEMO}'\n"
    for moment, expected in moments:
        row = f'{{ expr = "{counter}", value = {expected} }}'
        text += f"[[moments]]\nrecording = '{RECORDING}'\n{moment}\nexpect = [ {row} ]\n"
    path = tmp_path / "a.expect.toml"
    path.write_text(text, "utf-8")
    code, found = verified(capsys, path)
    assert (code, found) == (0, {"passed": 4, "failed": 0, "failures": []})


def test_what_is_not_there_fails_what_is_expected_of_it(tmp_path: Path, capsys: Capture) -> None:
    row = 'watch = "low_x", value = 0xF3B6'
    written(tmp_path, [row])
    shutil.copy(RECORDING, tmp_path / "lap.mcap")
    moments = [
        ('dump = "gone.bin"', "gone.bin: "),
        ('dump = "t.bin"', None),
        ('recording = "t.bin"\nframe = 3', "t.bin is not a usable recording: "),
        (
            'recording = "lap.mcap"\nframe = 3',
            "recording lap.mcap: has no frame 3: it holds frames 392 to ",
        ),
        (
            'recording = "lap.mcap"\nfirst = "low_x == 70000"',
            "recording lap.mcap: low_x == 70000 is true in",
        ),
    ]
    text = 'bridge = "t.bridge.toml"\n'
    for moment, _ in moments:
        text += f"[[moments]]\n{moment}\nexpect = [ {{ {row} }} ]\n"
    path = tmp_path / "t.expect.toml"
    path.write_text(text, "utf-8")
    code, found = verified(capsys, path)
    assert (code, found["passed"], found["failed"]) == (1, 1, 4)
    told = [words for _, words in moments if words]
    for failure, words in zip(found["failures"], told, strict=True):
        assert words in failure["found"]
        assert failure["line"] > 0


WRONG = [
    ('watch = "lowx", value = 3', "there is no watch lowx; did you mean low_x?"),
    ('expr = "courier.helt", value = 3', "helt"),
    ('expr = "courier.held.", value = 3', "courier.held."),
    ('watch = "kind", value = "gull"', "kind: gull is not one of courier, lantern"),
    ('watch = "kind", between = [1, 2]', "kind: a value of type ActorKind has no distances"),
    ('watch = "low_x", value = 70000', "low_x: 70000 is outside 0 to 65535"),
    ('watch = "low_x", value = "a"', "low_x: expected a value of type u16, found 'a'"),
]


@pytest.mark.parametrize(("row", "words"), WRONG)
def test_a_wrong_file_is_told_with_its_line_and_the_others_are_looked_at(
    row: str, words: str, tmp_path: Path, capsys: Capture
) -> None:
    right = written(tmp_path, ['watch = "kind", value = 2'], name="a")
    wrong = written(tmp_path, ['watch = "kind", value = 2', row], name="b")
    code, lines, told = run(capsys, "verify", tmp_path)
    assert (code, lines) == (2, ["1 as expected, 0 not; 1 file is wrong"])
    assert told[0].startswith(f"lowhalf: {wrong}:6: ")
    assert words in " ".join(told)
    code, found = verified(capsys, right, wrong)
    assert (code, found["passed"], found["failed"]) == (2, 1, 1)
    (failure,) = found["failures"]
    assert (failure["file"], failure["line"]) == (str(wrong), 6)
    assert words in failure["found"]


def test_files_that_are_not_there(tmp_path: Path, capsys: Capture) -> None:
    path = written(tmp_path, ['watch = "kind", value = 2'])
    path.write_text(path.read_text("utf-8").replace("t.bridge", "u.bridge"), "utf-8")
    told = run(capsys, "verify", path)[2]
    assert told == [f"lowhalf: {path}:1: bridge: there is no file {tmp_path / 'u.bridge.toml'}"]
    missing = tmp_path / "none.expect.toml"
    code, _, told = run(capsys, "verify", missing)
    assert (code, told) == (2, [f"lowhalf: {missing}: cannot be read: no such file or directory"])
    (tmp_path / "empty").mkdir()
    code, lines, told = run(capsys, "verify", tmp_path / "empty")
    assert (code, lines) == (2, [])
    assert told[0].endswith("there is no *.expect.toml in it; lowhalf expect makes one")


def test_the_bridge_files_own_fault_is_told_as_its_own(tmp_path: Path, capsys: Capture) -> None:
    path = written(tmp_path, ['watch = "kind", value = 2'])
    bridge = files.write(tmp_path, bridge=files.BRIDGE.replace("held.kind", "held.kint"))
    code, lines, told = run(capsys, "verify", path)
    assert (code, lines) == (2, ["0 as expected, 0 not; 1 file is wrong"])
    assert told[0].startswith(f"lowhalf: {bridge}:14: ")


def test_junit_has_a_case_each(tmp_path: Path, capsys: Capture) -> None:
    path = written(tmp_path, [row for row, _, _ in ROWS])
    written(tmp_path, [WRONG[0][0]], name="wrong")
    report = tmp_path / "report.xml"
    assert run(capsys, "verify", tmp_path, "--junit", report)[0] == 2
    root = ElementTree.parse(report).getroot()
    suites = {suite.attrib["name"]: suite for suite in root.iter("testsuite")}
    suite = suites[str(path)]
    assert suite.attrib["tests"] == str(len(ROWS))
    assert suite.attrib["failures"] == str(sum(row[2] is not None for row in ROWS))
    cases = list(suite.iter("testcase"))
    assert [case.find("failure") is None for case in cases] == [row[2] is None for row in ROWS]
    other = suites[str(tmp_path / "wrong.expect.toml")]
    assert (other.attrib["errors"], len(list(other.iter("error")))) == ("1", 1)
    code, _, told = run(capsys, "verify", path, "--junit", tmp_path / "no" / "folder.xml")
    assert code == 2
    assert told[0].endswith("folder.xml cannot be written: no such file or directory")


def test_many_files_are_looked_at_by_several_processes(
    tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(6):
        value = "courier" if number == 4 else "lantern"
        written(tmp_path, [f'watch = "kind", value = "{value}"'] * 2, name=f"f{number}")
    written(tmp_path, ['watch = "kind", value = 99'], name="f9")
    one = run(capsys, "verify", tmp_path, "--all")
    assert one[0] == 1
    monkeypatch.setattr(worker_processes, "FEWEST", 2)
    monkeypatch.setattr(worker_processes, "cores", lambda: 3)
    assert run(capsys, "verify", tmp_path, "--all") == one
