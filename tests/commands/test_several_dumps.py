"""``--dump`` again and again, ``--format`` and ``--frame``, in every command that has them."""

from __future__ import annotations

import gzip
import json
import os
import struct
from pathlib import Path

import pytest

from adapters.commands.console import worker_processes
from adapters.commands.main import main
from adapters.recordings.reader import open_recording
from tests.commands import files, practice_files
from tests.commands.command import lowhalf

SAMPLES = Path(__file__).parents[2] / "sample_dumps"
CARRY = str(SAMPLES / "first-print-carry.bridge.toml")
DUMPS = [str(SAMPLES / f"first-print-{name}.bin.gz") for name in ("carry", "stale-reuse")]


def several(folder: Path, count: int = 3) -> list[str]:
    """Dumps that differ in the low half; the second one is damaged."""
    paths = []
    for number in range(count):
        ram = files.ram()
        struct.pack_into(">H", ram, files.LANTERN + 0x2E, number)
        path = folder / f"{number}.bin.gz"
        path.write_bytes(gzip.compress(bytes(ram))[: 40 if number == 1 else None])
        paths += ["--dump", str(path)]
    return paths


def test_read_reads_each_and_goes_on_after_a_bad_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = str(files.write(tmp_path))
    assert main(["read", path, *several(tmp_path), "--watch", "low_x"]) == 1
    printed = capsys.readouterr()
    assert printed.out.splitlines() == [
        "frame 1 · build first-print · file 0.bin.gz · still",
        "Written half  0x0000  +62390 to go  0x8000202E",
        "frame 1 · build first-print · file 2.bin.gz · still",
        "Written half  0x0002  +62388 to go  0x8000202E",
    ]
    (line,) = printed.err.splitlines()
    assert line.startswith("lowhalf: file 1.bin.gz: gzip: the stream is cut off before its end")


def test_json_of_several_is_a_line_each_that_names_its_dump(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = str(files.write(tmp_path))
    dumps = several(tmp_path)
    assert main(["read", path, *dumps, "--json"]) == 1
    frames = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [frame["dump"] for frame in frames] == [dumps[1], dumps[5]]
    assert [frame["readings"][0]["value"] for frame in frames] == [0, 2]
    assert main(["explain", path, "low_x", *dumps, "--json"]) == 1
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [line["dump"] for line in lines] == [dumps[1], dumps[5]]
    assert [line["steps"][-1]["value"] for line in lines] == [0, 2]
    # of one it is what it always was
    assert main(["explain", path, "low_x", "--json"]) == 0
    assert isinstance(json.loads(capsys.readouterr().out), list)


def test_a_dump_gives_the_same_each_time(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = files.write(tmp_path)
    os.utime(tmp_path / "t.bin", (1000.5, 2000.25))
    printed = []
    for _ in range(2):
        assert main(["read", str(path), "--json"]) == 0
        printed.append(capsys.readouterr().out)
    assert printed[0] == printed[1]
    assert json.loads(printed[0])["time"] == 2000.25


def test_where_none_can_be_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = str(files.write(tmp_path))
    words = ["--dump", str(tmp_path / "a.bin"), "--dump", str(tmp_path / "b.bin")]
    assert main(["read", path, *words]) == 3
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.splitlines() == [
        f"lowhalf: {name}: {tmp_path / name} cannot be read: no such file or directory"
        for name in ("a.bin", "b.bin")
    ]


def test_heap_and_layout_compare_read_each(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = [word for dump in DUMPS for word in ("--dump", dump)]
    assert main(["heap", CARRY, *words, "--json"]) == 0
    heaps = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [(heap["dump"], len(heap["blocks"])) for heap in heaps] == [(DUMPS[0], 6), (DUMPS[1], 4)]
    saved = str(tmp_path / "good.layout.toml")
    assert main(["layout", "save", CARRY, saved]) == 0
    capsys.readouterr()
    # one of them differs: that is what the exit code says of all
    assert main(["layout", "compare", CARRY, saved, *words, "--json"]) == 1
    found = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [each["dump"] for each in found] == DUMPS
    assert [each["matches"] for each in found] == [True, False]


def test_what_takes_one_dump_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    command = ["layout", "save", CARRY, "new.layout.toml"]
    assert main([*command, "--dump", DUMPS[0], "--dump", DUMPS[1]]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err == "lowhalf: expected one --dump, found 2: ask for each by itself\n"


def test_where_and_solve_write_tell_of_each(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    gone = str(tmp_path / "gone.bin")
    words = ["where", CARRY, "0x80200400", "--dump", *DUMPS, gone]
    assert main(words) == 1
    printed = capsys.readouterr()
    assert [line.split("  ")[0] for line in printed.out.splitlines()] == DUMPS
    assert "block 2, lantern" in printed.out.splitlines()[0]
    assert "block 2, gull" in printed.out.splitlines()[1]
    assert gone in printed.err
    assert main([*words, "--json"]) == 1
    found = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [each["block"]["owner"] for each in found] == ["lantern", "gull"]
    words = ["solve", "write", CARRY, "courier.held.position.x", "--want", "1", "--json"]
    assert main([*words, "--dump", *DUMPS]) == 0
    found = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [(each["dump"], each["block"]["owner"]) for each in found] == [
        (DUMPS[0], "lantern"),
        (DUMPS[1], "gull"),
    ]


def test_a_folder_is_all_the_dumps_in_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bridge = str(files.write(tmp_path))  # its dump is t.bin, and its settings are no dumps
    for name in ("b.bin", "a.bin", ".hidden.bin", "notes.txt", "README.md", "old.sqlite"):
        (tmp_path / name).write_bytes(bytes(files.ram()))
    (tmp_path / "deeper").mkdir()
    words = ["read", bridge, "--watch", "low_x", "--json", "--dump"]
    assert main([*words, str(tmp_path)]) == 0
    found = [json.loads(line)["dump"] for line in capsys.readouterr().out.splitlines()]
    assert found == [str(tmp_path / name) for name in ("a.bin", "b.bin", "t.bin")]
    assert main([*words, str(tmp_path / "deeper")]) == 2
    told = capsys.readouterr().err
    assert told.endswith("deeper: there is no dump or recording in this folder\n")


EACH = {
    "read": ["read", "BRIDGE", "--json"],
    "read, expected": ["read", "BRIDGE", "--expect"],
    "explain": ["explain", "BRIDGE", "low_x"],
    "where": ["where", "BRIDGE", "0x80002030"],
    "tally": ["tally", "BRIDGE", "--json"],
}


@pytest.mark.parametrize("name", EACH)
def test_several_processes_print_what_one_does(
    name: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    text = files.BRIDGE + '[[watches]]\nname = "t"\nexpr = "tally(low_x, low_x >= 0)"\n'
    bridge = str(files.write(tmp_path, bridge=text))
    words = [bridge if word == "BRIDGE" else word for word in EACH[name]]
    dumps = [*several(tmp_path, 6)[1::2], str(tmp_path / "gone.bin")]
    one = main([*words, "--dump", *dumps]), capsys.readouterr()
    assert one[0] == 1
    assert "gone.bin" in one[1].err
    monkeypatch.setattr(worker_processes, "FEWEST", 2)
    monkeypatch.setattr(worker_processes, "cores", lambda: 2)
    assert (main([*words, "--dump", *dumps]), capsys.readouterr()) == one


def test_a_wrong_expression_ends_all_also_with_several_processes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(worker_processes, "FEWEST", 2)
    monkeypatch.setattr(worker_processes, "cores", lambda: 2)
    bridge = str(files.write(tmp_path))
    assert main(["read", bridge, "--watch", "courier.helt", *several(tmp_path)]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.startswith("lowhalf: Actor has no field helt; did you mean held?\n")


COMMANDS = {
    "read": ["read", "BRIDGE"],
    "explain": ["explain", "BRIDGE", "low_x"],
    "where": ["where", "BRIDGE", f"0x{files.BASE + files.LANTERN:X}"],
    "solve write": ["solve", "write", "BRIDGE", "courier.held.position.x", "--want", "1"],
}


@pytest.mark.parametrize("command", COMMANDS)
def test_format_beside_dump(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], command: str
) -> None:
    path = str(files.write(tmp_path))
    words = [path if word == "BRIDGE" else word for word in COMMANDS[command]]
    ram = files.ram()
    ram[:4] = b"\x7fELF"
    dump = tmp_path / "other.bin"
    dump.write_bytes(bytes(ram))
    assert main([*words, "--dump", str(dump)]) == 0
    by_itself = capsys.readouterr()
    assert by_itself.err == (
        "lowhalf: file other.bin: is read as raw, since ELF: the header is cut off or names no "
        "known class and byte order\n"
    )
    assert main([*words, "--dump", str(dump), "--format", "raw"]) == 0
    printed = capsys.readouterr()
    assert (printed.out, printed.err) == (by_itself.out, "")
    code = main([*words, "--dump", str(dump), "--format", "elf"])
    told = capsys.readouterr().err
    assert "file other.bin: ELF: the header is cut off" in told
    assert code == (0 if command == "where" else 3)  # where still tells of symbols
    assert main([*words, "--format", "raw"]) == 2
    assert capsys.readouterr().err == (
        "lowhalf: --format says how --dump is read: give --dump, or format in [source]\n"
    )


def test_every_command_with_dump_has_format() -> None:
    for command in (
        *("read", "explain", "where", "heap", "tally"),
        *("layout save", "layout compare", "solve write"),
    ):
        told = lowhalf(*command.split(), "--help").stdout
        assert "--dump" in told
        assert "--format {auto,raw,elf,ihex,srec}" in told


def recorded(folder: Path) -> list[str]:
    path = practice_files.write(folder)
    # of another kind: the dump is what is read
    text = path.read_text("utf-8")
    source = text[text.index("[source]") : text.index("[sampling]")]
    path.write_text(text.replace(source, '[source]\nkind = "push"\n\n'), "utf-8")
    return ["read", str(path), "--dump", str(folder / "p.mcap"), "--watch", "half"]


def test_a_recording_is_read_as_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = recorded(tmp_path)
    assert main(words) == 0
    title, row = capsys.readouterr().out.splitlines()
    assert title == "frame 100 · build print · recording p.mcap · sender"
    assert row.split() == ["half", "0x2B6D", "0x80001016"]
    # the third lap is the one with another half: frames 160 to 189
    for number, half in ((159, "0x2B6D"), (160, "0x1111"), (189, "0x1111"), (190, "0x2B6D")):
        assert main([*words, "--frame", str(number)]) == 0
        title, row = capsys.readouterr().out.splitlines()
        assert title.split()[1] == str(number)
        assert row.split()[1] == half


def test_a_frame_of_a_recording_knows_those_before_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = [*recorded(tmp_path), "--watch", "count(corner == 1)", "--json", "--frame", "279"]
    assert main(words) == 0
    (frame,) = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    found = {reading["watch"]: reading["value"] for reading in frame["readings"]}
    assert found["count(corner == 1)"] == 6


def test_a_frame_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*recorded(tmp_path), "--frame", "7"]) == 3
    assert capsys.readouterr().err == (
        "lowhalf: recording p.mcap: has no frame 7: it holds frames 100 to 279\n"
    )
    assert main(["read", CARRY, "--frame", "7"]) == 2
    assert capsys.readouterr().err == ("lowhalf: --frame is for recordings: give one with --dump\n")


def test_a_recording_that_was_cut_off_is_told_of(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = recorded(tmp_path)
    path = tmp_path / "p.mcap"
    path.write_bytes(path.read_bytes()[: open_recording(path).groups[1].place.offset])
    assert main(words) == 0
    assert capsys.readouterr().err == (
        "lowhalf: recording p.mcap: was cut off; what is whole of it is played\n"
    )


def test_a_recording_as_a_file_says_what_to_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = recorded(tmp_path)
    bridge = tmp_path / "p.bridge.toml"
    text = bridge.read_text("utf-8")
    bridge.write_text(text.replace('kind = "push"', 'kind = "file"\npath = "p.mcap"'), "utf-8")
    assert main(words[:2]) == 3
    assert capsys.readouterr().err == (
        'lowhalf: file p.mcap: is a recording: set kind = "recording" in [source]; '
        "as raw no build is recognised either\n"
    )
    # and a damaged one says what is wrong with it
    (tmp_path / "p.mcap").write_bytes((tmp_path / "p.mcap").read_bytes()[:600])
    assert main(words) == 3
    assert capsys.readouterr().err == (
        f"lowhalf: file p.mcap: {tmp_path / 'p.mcap'} is not a usable recording: no part of it is "
        "whole; as raw no build is recognised either\n"
    )


def test_what_the_bridge_file_says_of_dumps_counts_for_a_dump_too(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A folder's format, region and offset are those of the dumps that land in it."""
    for kind in ('kind = "folder"\npath = "dumps"', 'kind = "file"\npath = "t.bin"'):
        bridge = files.BRIDGE.replace(
            'kind = "file"\npath = "t.bin"', f'{kind}\noffset = 0x40\nformat = "raw"'
        )
        path = str(files.write(tmp_path, bridge=bridge))
        (tmp_path / "state.bin").write_bytes(bytes(0x40) + bytes(files.ram()))
        assert main(["read", path, "--dump", str(tmp_path / "state.bin")]) == 0
        assert "0xF3B6" in capsys.readouterr().out
