"""``lowhalf open``: what is done with files that are given, or dropped, without a command."""

from __future__ import annotations

import argparse
import shutil
import sys
import zipfile
from dataclasses import replace
from pathlib import Path

import pytest

from adapters.commands import demo
from adapters.commands.console import own_console
from adapters.commands.console.until_stopped import StopSignals
from adapters.commands.main import main
from adapters.commands.opening.deciding import PLAY, what_to_do
from adapters.commands.opening.given import Given, Kind, look
from adapters.commands.opening.playing import played_bridge
from adapters.sources.windows.structures import ProcessEntry
from schemas.errors import LowhalfError
from schemas.source_settings import RecordingSource
from tests.commands import files
from tests.commands.command import Running

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_dumps"
NIGHT = Path("/night").absolute()


def given(name: str, kind: Kind, *beside: str) -> Given:
    return Given(NIGHT / name, kind, beside=tuple(NIGHT / each for each in beside))


HARBOUR = given("harbour.bridge.toml", Kind.BRIDGE)
SCHEMA = given("harbour.schema.toml", Kind.SCHEMA)
DUMP, SECOND = given("harbour.bin.gz", Kind.DUMP), given("quay.bin", Kind.DUMP)
LAP = given("lap.mcap", Kind.RECORDING)
PACK = given("lantern.zip", Kind.PACK)


def at(name: str) -> str:
    return str(NIGHT / name)


@pytest.mark.parametrize(
    ("files", "done"),
    [
        ([], [["demo", "--browser"]]),
        ([HARBOUR], [["run", at("harbour.bridge.toml")]]),
        (
            [SCHEMA],
            [
                ["attach", at("harbour.schema.toml"), "--write", at("harbour.bridge.toml")],
                ["run", at("harbour.bridge.toml")],
            ],
        ),
        (
            [given("sea.toml", Kind.SCHEMA)],
            [
                ["attach", at("sea.toml"), "--write", at("sea.bridge.toml")],
                ["run", at("sea.bridge.toml")],
            ],
        ),
        ([LAP], [[PLAY, at("lap.mcap")]]),
        ([PACK], [["check", at("lantern.zip")]]),
        (
            [given("mine.toml", Kind.BRIDGE), PACK],
            [["run", at("lantern.zip"), "--source", at("mine.toml")]],
        ),
        ([PACK, DUMP, LAP],
         [["read", at("lantern.zip"),
           "--dump", at("harbour.bin.gz"), "--dump", at("lap.mcap")]]),
        ([given("lap.mcap", Kind.RECORDING, "lap.bridge.toml")], [[PLAY, at("lap.mcap")]]),
        (
            [DUMP, HARBOUR, LAP],
            [["read", at("harbour.bridge.toml"),
              "--dump", at("harbour.bin.gz"), "--dump", at("lap.mcap")]],
        ),
        (
            [given("quay.bin", Kind.DUMP, "harbour.bridge.toml")],
            [["read", at("harbour.bridge.toml"), "--dump", at("quay.bin")]],
        ),
        (
            [given("Quay.BIN", Kind.DUMP, "harbour.bridge.toml", "quay.bridge.toml")],
            [["read", at("quay.bridge.toml"), "--dump", at("Quay.BIN")]],
        ),
    ],
)  # fmt: skip
def test_what_is_done(files: list[Given], done: list[list[str]]) -> None:
    assert what_to_do(files) == done


@pytest.mark.parametrize(
    ("files", "said"),
    [
        ([DUMP, SECOND], "does not say what its bytes mean: expected one bridge file "
         "(NAME.bridge.toml) beside it, found 0; open it together with its bridge file"),
        ([given("quay.bin", Kind.DUMP, "a.bridge.toml", "b.bridge.toml")], "beside it, found 2;"),
        ([HARBOUR, given("sea.bridge.toml", Kind.BRIDGE)],
         "expected one bridge file, or one schema alone, found harbour.bridge.toml, "
         "sea.bridge.toml"),
        ([SCHEMA, DUMP], "expected one bridge file, or one schema alone, found harbour.schema"),
        ([given("harbour.schema.toml", Kind.SCHEMA, "harbour.bridge.toml")],
         f"{at('harbour.bridge.toml')} is there already: open that one"),
        ([PACK, SCHEMA],
         "expected one pack, alone, with dumps, or with the file that has your [source]; "
         "found lantern.zip, harbour.schema.toml"),
        ([PACK, PACK], "expected one pack, alone, with dumps, or with the file that has your "
         "[source]; found lantern.zip, lantern.zip"),
        ([HARBOUR, Given(NIGHT / "tune.txt", Kind.OTHER, "is a text")],
         f"{at('tune.txt')} is a text: "
         "expected a bridge file, a pack, a schema, a dump or a recording"),
    ],
)  # fmt: skip
def test_what_says_nothing_that_can_be_done(files: list[Given], said: str) -> None:
    with pytest.raises(LowhalfError) as fault:
        what_to_do(files)
    assert said in str(fault.value)


def test_every_sample_is_what_it_is() -> None:
    kinds = {path.name: look(path).kind for path in SAMPLES.iterdir() if path.suffix != ".py"}
    expected = {
        name: Kind.BRIDGE if name.endswith(".bridge.toml")
        else Kind.DUMP if name.endswith(".bin.gz")
        else Kind.RECORDING if name == "demo.mcap"
        else Kind.OTHER
        for name in kinds
    }  # fmt: skip
    assert kinds == expected
    assert look(ROOT / "schemas/games/tidewright.schema.toml").kind is Kind.SCHEMA


@pytest.mark.parametrize(
    ("name", "data", "kind", "why"),
    [
        ("dump", bytes(64), Kind.DUMP, ""),
        ("begins as a text", b"TIDE 1.0" * 999 + bytes(9), Kind.OTHER, "is a text"),
        ("records", b":00000001FF\n", Kind.DUMP, ""),
        ("records", b"S0030000FC\n", Kind.DUMP, ""),
        ("text", "ebb\r\n\tflood · é".encode(), Kind.OTHER, "is a text"),
        ("a letter in two", b"x" * 4095 + "é".encode(), Kind.OTHER, "is a text"),
        ("cut", "é".encode()[:1], Kind.DUMP, ""),
        ("nothing", b"", Kind.OTHER, "is empty"),
        ("lap.mcap", b"\x89MCAP0\r\n" + bytes(50), Kind.DUMP, ""),
        ("quay.EXE", b"MZ" + bytes(64), Kind.OTHER, "is a program; start it, and open the schema"),
        ("kept", b"SQLite format 3\0" + bytes(84), Kind.OTHER, "holds attempts; lowhalf attempts"),
        ("a.TOML", b"[[watches]]\n", Kind.BRIDGE, ""),
        ("a.toml", b"[memory]\n", Kind.SCHEMA, ""),
        ("a.toml", b"\xef\xbb\xbf[source]\n", Kind.BRIDGE, ""),
        ("a.plan.toml", b"[made_for]\n", Kind.OTHER, "is a plan; lowhalf plan show draws it"),
        ("a.toml", b"[blocks]\n", Kind.OTHER, "has neither [source], as a bridge file, nor"),
        ("a.toml", b"[source", Kind.BRIDGE, ""),
        ("a.schema.toml", b"[source", Kind.SCHEMA, ""),
        ("a.toml", b"\xff", Kind.BRIDGE, ""),
    ],
)
def test_what_a_file_is(tmp_path: Path, name: str, data: bytes, kind: Kind, why: str) -> None:
    (tmp_path / name).write_bytes(data)
    found = look(tmp_path / name)
    assert found.kind is kind
    assert found.why.startswith(why)
    assert bool(found.why) is (kind is Kind.OTHER)


def test_what_cannot_be_read(tmp_path: Path) -> None:
    folder = look(tmp_path)
    assert (folder.kind, folder.why[:11]) == (Kind.OTHER, "is a folder")
    for path in (tmp_path / "none", Path("n" * 5000), Path("n\0")):
        with pytest.raises(LowhalfError, match="cannot be read: "):
            look(path)


def test_a_file_alone_needs_no_command(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    files.write(tmp_path)
    assert main([str(tmp_path / "t.bin")]) == 0
    plain = capsys.readouterr().out
    assert "build first-print" in plain
    assert main(["open", str(tmp_path / "t.bin")]) == 0
    assert capsys.readouterr().out == plain
    monkeypatch.chdir(tmp_path)
    Path("check").write_bytes(b"")  # a command's name is the command
    for words in (["check"], ["chekc"], []):
        with pytest.raises(SystemExit) as end:
            main(words)
        assert end.value.code == 2


def test_errors_are_told_with_their_exit_codes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bridge = files.write(tmp_path)
    (tmp_path / "t.bin").write_bytes(b"\xff" * 99)
    assert main([str(bridge), str(tmp_path / "t.bin")]) == 3
    assert "t.bin" in capsys.readouterr().err
    assert main([str(tmp_path / "t.schema.toml")]) == 2
    assert capsys.readouterr().err == f"lowhalf: {bridge} is there already: open that one\n"
    bridge.write_text("[[watches]\n", "utf-8")
    assert main([str(bridge)]) == 2
    assert "t.bridge.toml:1: is not TOML" in capsys.readouterr().err
    assert main([str(tmp_path / "gone")]) == 2
    assert capsys.readouterr().err.endswith("gone cannot be read: no such file or directory\n")


@pytest.mark.skipif(sys.platform == "win32", reason="BROWSER is a POSIX script")
def test_a_recording_alone_plays(tmp_path: Path) -> None:
    """Without the files beside it, as a friend sends it; and it leaves none."""
    shutil.copy(SAMPLES / "demo.mcap", tmp_path)
    browser = tmp_path / "browser"
    browser.write_text('#!/bin/sh\necho "$1" > "$0.page"\n')
    browser.chmod(0o755)
    lap = tmp_path / "demo.mcap"
    with Running("open", str(lap), environment={"BROWSER": str(browser)}) as lowhalf:
        url = lowhalf.url()
        lowhalf.wait_for("build first-print")
        lowhalf.wait_for("held_x_low", printed=True)
    page = tmp_path / "browser.page"
    assert page.read_text() == f"{url}desk\n"
    left = {path.name for path in tmp_path.iterdir()}
    assert left == {"demo.mcap", "browser", "browser.page"}


def test_the_recorded_bridge_is_another_only_where_it_must(tmp_path: Path) -> None:
    lap = SAMPLES / "demo.mcap"
    bridge = demo.keeping_in(played_bridge(lap), tmp_path)
    assert bridge.schema.file.game.name == "Tidewright"
    assert bridge.file.source == RecordingSource(kind="recording", path=str(lap))
    assert bridge.attempts_path.parent == tmp_path
    assert bridge.file.outputs.overlay is not None
    assert bridge.file.outputs.mqtt is None
    assert len(bridge.file.watches) > 5
    assert list(bridge.schema.builds["first-print"].saved_layouts) == ["gull_in_place"]
    # tallies are kept there as well, where there are no attempts
    without = bridge.file.model_copy(update={"attempts": None})
    tallied = demo.keeping_in(replace(played_bridge(lap), file=without), tmp_path)
    assert tallied.attempts_path.parent == tmp_path


def test_pages_that_are_not_there_cannot_be_opened(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = files.write(tmp_path)
    assert main(["run", "--browser", str(path)]) == 2
    said = "has no [outputs.overlay], so that there is no page to open: add it"
    assert said in capsys.readouterr().err


# -- the window that closes


class Console:
    """A made-up Windows: its console's processes, and all, as (number, parent, name)."""

    def __init__(self, attached: list[int], *processes: tuple[int, int, str]) -> None:
        self.attached = attached
        self.all = [ProcessEntry(*each) for each in processes]

    def console_processes(self) -> list[int]:
        return self.attached

    def processes(self) -> list[ProcessEntry]:
        return self.all


DESKTOP = (4, 0, "explorer.exe")
SHELL = (10, 4, "cmd.exe")
PROGRAMS = [
    "C:\\games\\.venv\\Scripts\\lowhalf",
    "C:\\games\\.venv\\Scripts\\python.exe",
    "C:\\Python\\Python3.EXE",
]


@pytest.mark.parametrize(
    ("asking", "attached", "processes", "own"),
    [
        (20, [20], [DESKTOP, (20, 4, "python.exe")], True),
        # the launcher beside it, as seen under Wine
        (456, [440, 456], [DESKTOP, (440, 4, "lowhalf.exe"), (456, 440, "python.exe")], True),
        # and the redirector of a virtual environment
        (22, [20, 21, 22],
         [DESKTOP, (20, 4, "LOWHALF.EXE"), (21, 20, "python.exe"), (22, 21, "python3.exe")], True),
        (21, [20, 21], [DESKTOP, (20, 4, "py.exe"), (21, 20, "python.exe")], True),
        # a shell, in which somebody works
        (20, [10, 20], [DESKTOP, SHELL, (20, 10, "python.exe")], False),
        (504, [480, 496, 504],
         [(480, 4, "cmd.exe"), (496, 480, "lowhalf.exe"), (504, 496, "python.exe")], False),
        (22, [10, 20, 21, 22],
         [SHELL, (20, 10, "lowhalf.exe"), (21, 20, "python.exe"), (22, 21, "python3.exe")], False),
        (20, [20, 30], [(20, 99, "python.exe"), (30, 4, "emulator.exe")], False),
        # one whose parent has ended, and numbers that have been given again
        (20, [20], [(20, 99, "python.exe")], True),
        (21, [20, 21], [(20, 21, "lowhalf.exe"), (21, 20, "python.exe")], True),
        # no console
        (20, [], [(20, 4, "python.exe")], False),
    ],
)  # fmt: skip
def test_whose_console_it_is(
    asking: int, attached: list[int], processes: list[tuple[int, int, str]], own: bool
) -> None:
    assert own_console.is_own(Console(attached, *processes), asking, PROGRAMS) is own


def test_elsewhere_no_console_is_made_for_it() -> None:
    assert own_console.has_own_console() is False


def test_a_double_click_plays_the_demo_and_opens_its_page(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[bool] = []
    monkeypatch.setattr(own_console, "has_own_console", lambda: True)
    monkeypatch.setattr(own_console, "_key", lambda: None)

    def run(arguments: argparse.Namespace) -> int:
        asked.append(arguments.browser)
        return 0

    monkeypatch.setattr(demo, "run", run)
    assert main([]) == 0
    assert asked == [True]


@pytest.mark.parametrize("stopped", [0, 2])
def test_a_key_is_waited_for_after_all_was_told(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    stopped: int,
) -> None:
    asked: list[str] = []
    monkeypatch.setattr(own_console, "_key", lambda: asked.append(capsys.readouterr().err))
    monkeypatch.setattr(own_console, "has_own_console", lambda: True)
    monkeypatch.setattr(StopSignals, "came", stopped)
    assert main([str(tmp_path)]) == 2
    if stopped:
        assert asked == []
    else:
        assert len(asked) == 1
        assert "is a folder" in asked[0]
        assert asked[0].endswith("\npress a key to close this window\n")


def test_a_pack_is_known_by_what_is_in_it(tmp_path: Path) -> None:
    pack, dump = tmp_path / "carry.zip", tmp_path / "ram.zip"
    assert main(["pack", str(SAMPLES / "first-print-carry.bridge.toml"), str(pack)]) == 0
    with zipfile.ZipFile(dump, "w") as archive:
        archive.writestr("ram.bin", bytes(64))
    assert look(pack).kind is Kind.PACK
    assert look(dump).kind is Kind.DUMP
