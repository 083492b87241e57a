"""``lowhalf tally``: counts that were kept, and counts of recordings and dumps."""

from __future__ import annotations

import json
import struct
from pathlib import Path
from typing import Any

import pytest

from adapters.commands.main import main
from adapters.practice_log import database
from adapters.recordings.reader import open_recording
from tests.commands import practice_files
from tests.commands.command import lowhalf

CALL = "tally(half, corner == 1)"


def tally(capsys: pytest.CaptureFixture[str], path: Path, *words: str) -> list[dict[str, Any]]:
    assert main(["tally", str(path), "--json", *words]) == 0
    found: list[dict[str, Any]] = json.loads(capsys.readouterr().out)["tallies"]
    return found


def test_a_recording_is_replayed_whole(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = practice_files.write(tmp_path)
    (found,) = tally(capsys, path)
    assert (found["expression"], found["build"], found["moments"]) == (CALL, "print", 6)
    assert found["values"] == [
        {"value": 0x2B6D, "text": "0x2B6D", "count": 4, "share": 4 / 6, "in_gaps": 0},
        {"value": 0x1111, "text": "0x1111", "count": 2, "share": 2 / 6, "in_gaps": 0},
    ]
    # however often: what is in a file is not counted twice
    assert tally(capsys, path) == [found]
    assert not (tmp_path / "p.attempts.sqlite").exists()
    assert main(["tally", str(path)]) == 0
    assert capsys.readouterr().out.splitlines() == [
        f"{CALL}  build print  6 moments",
        "  0x2B6D  4  66.7%",
        "  0x1111  2  33.3%",
    ]


def test_what_a_daemon_saw_is_kept_over_runs(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = practice_files.write(tmp_path, speed=0.5, laps=3)
    for _ in range(2):
        done = lowhalf("run", str(path), "--json")
        assert done.returncode == 0, done.stderr
    last = json.loads(done.stdout.splitlines()[-1])["readings"][1]
    # a busy machine may miss a moment's own frame, and then counts it apart
    assert last["watch"] == "common"
    assert last["value"] in (0x2B6D, 0x1111, None)
    # asked as a live game's bridge file asks: with a source that cannot be replayed
    text = path.read_text("utf-8")
    source = text[text.index("[source]") : text.index("[sampling]")]
    path.write_text(text.replace(source, '[source]\nkind = "push"\n'), "utf-8")
    (found,) = tally(capsys, path)
    seen = {row["value"]: row["count"] + row["in_gaps"] for row in found["values"]}
    assert seen == {0x2B6D: 4, 0x1111: 2}
    if not found["in_gaps"]:
        assert last["value"] == 0x2B6D
    # the same moments, counted from the recording
    (again,) = tally(capsys, path, "--dump", str(tmp_path / "p.mcap"))
    assert [row["count"] for row in again["values"]] == [2, 1]


def test_dumps_are_moments(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = practice_files.write(tmp_path, laps=1)
    dumps = []
    for number, (corner, half) in enumerate([(1, 7), (1, 7), (0, 9), (1, 8)]):
        image = bytearray(practice_files.SIZE)
        image[0x400:0x408] = b"TIDE 1.0"
        struct.pack_into(">6I", image, 0x1000, number, 0, corner, 0, 0, half)
        dumps.append(tmp_path / f"{number}.bin")
        dumps[-1].write_bytes(image)
    (found,) = tally(capsys, path, "--dump", *map(str, dumps))
    assert [(row["text"], row["count"]) for row in found["values"]] == [
        ("0x0007", 2),
        ("0x0008", 1),
    ]
    # recordings and dumps together
    both = [str(tmp_path / "p.mcap"), str(dumps[0])]
    assert tally(capsys, path, "--dump", *both)[0]["moments"] == 2


def test_what_the_file_no_longer_asks_for_is_shown_too(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = practice_files.write(tmp_path, laps=1)
    text = path.read_text("utf-8")
    source = text[text.index("[source]") : text.index("[sampling]")]
    path.write_text(text.replace(source, '[source]\nkind = "push"\n'), "utf-8")
    opened = database.open_for_writing(tmp_path / "p.attempts.sqlite")
    counts = {
        ("tally(old, x)", "print", "5", True): 3,
        ("tally(old, x)", "print", "null", True): 1,
    }
    database.write_tallies(opened.connection, counts)
    opened.close()
    assert main(["tally", str(path)]) == 0
    assert capsys.readouterr().out.splitlines() == [
        "tally(old, x)  build print  4 moments",
        "  5         3  75.0%",
        "  no value  1  25.0%",
        "",
        f"{CALL}  build print  0 moments",
    ]


def test_moments_in_frames_that_were_not_seen_are_counted_apart(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = practice_files.write(tmp_path, laps=1)
    text = path.read_text("utf-8")
    source = text[text.index("[source]") : text.index("[sampling]")]
    path.write_text(text.replace(source, '[source]\nkind = "push"\n'), "utf-8")
    opened = database.open_for_writing(tmp_path / "p.attempts.sqlite")
    counts = {
        (CALL, "print", "7", True): 3,
        (CALL, "print", "7", False): 2,
        (CALL, "print", "9", True): 1,
        (CALL, "print", "null", False): 4,
    }
    database.write_tallies(opened.connection, counts)
    opened.close()
    assert main(["tally", str(path)]) == 0
    assert capsys.readouterr().out.splitlines() == [
        f"{CALL}  build print  4 moments, and 6 in frames that were not seen",
        "  0x0007    3  75.0%  +2 not seen",
        "  0x0009    1  25.0%",
        "  no value  0  0.0%   +4 not seen",
    ]
    (found,) = tally(capsys, path)
    assert (found["moments"], found["in_gaps"]) == (4, 6)
    assert [(row["count"], row["share"], row["in_gaps"]) for row in found["values"]] == [
        *((3, 0.75, 2), (1, 0.25, 0), (0, 0.0, 4)),
    ]


def test_frames_that_a_recording_lacks_are_a_gap(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = practice_files.write(tmp_path, laps=3, missing=range(139, 142))
    (found,) = tally(capsys, path)
    assert (found["moments"], found["in_gaps"]) == (2, 1)
    # the corner of the second of the three laps is reached in frame 140
    assert [(row["text"], row["count"], row["in_gaps"]) for row in found["values"]] == [
        ("0x2B6D", 1, 1),
        ("0x1111", 1, 0),
    ]


def test_faults(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = practice_files.write(tmp_path, laps=1)
    missing = tmp_path / "nowhere.mcap"
    assert main(["tally", str(path), "--dump", str(missing)]) == 3
    assert capsys.readouterr().err == (
        f"lowhalf: nowhere.mcap: {missing} cannot be read: no such file or directory\n"
    )
    text = path.read_text("utf-8")
    path.write_text(text.replace(CALL, "half"), "utf-8")
    assert main(["tally", str(path)]) == 2
    assert "there is no tally in the bridge file; write one, as tally(x, when)" in (
        capsys.readouterr().err
    )


def test_a_recording_that_was_cut_off_is_counted_and_told_of(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = practice_files.write(tmp_path)
    whole = (tmp_path / "p.mcap").read_bytes()
    cut = tmp_path / "cut.mcap"
    # the last group, which begins after 2 s, is gone: laps 0 to 3 are whole
    cut.write_bytes(whole[: open_recording(tmp_path / "p.mcap").groups[2].place.offset + 9])
    told = "lowhalf: recording cut.mcap: was cut off; what is whole of it is played\n"
    assert main(["tally", str(path), "--dump", str(cut)]) == 0
    printed = capsys.readouterr()
    assert printed.out.splitlines()[0] == f"{CALL}  build print  4 moments"
    assert printed.err == told
    # likewise where the bridge file names it
    path.write_text(path.read_text("utf-8").replace("p.mcap", "cut.mcap"), "utf-8")
    assert main(["tally", str(path)]) == 0
    assert capsys.readouterr().err == told


def test_a_recording_that_is_damaged_is_counted_up_to_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = practice_files.write(tmp_path)
    recorded = bytearray((tmp_path / "p.mcap").read_bytes())
    group = open_recording(tmp_path / "p.mcap").groups[2].place
    recorded[group.offset + group.length - 9] ^= 0x10
    (tmp_path / "p.mcap").write_bytes(recorded)
    assert main(["tally", str(path)]) == 1
    printed = capsys.readouterr()
    assert printed.out.splitlines()[0] == f"{CALL}  build print  4 moments"
    assert printed.err.startswith(
        f"lowhalf: recording p.mcap: the part at byte {group.offset} is damaged: "
    )
    assert printed.err.endswith("; the 120 frames before that are counted\n")


def test_one_bad_dump_does_not_throw_the_others_away(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = practice_files.write(tmp_path, laps=1)
    image = bytearray(practice_files.SIZE)
    struct.pack_into(">6I", image, 0x1000, 1, 0, 1, 0, 0, 7)
    other = tmp_path / "other.bin"
    other.write_bytes(image)
    image[0x400:0x408] = b"TIDE 1.0"
    good = tmp_path / "good.bin"
    good.write_bytes(image)
    bad = tmp_path / "bad.bin.gz"
    bad.write_bytes(b"\x1f\x8b\x08 cut")
    words = ["tally", str(path), "--dump", str(bad), str(good), "--dump", str(other)]
    assert main([*words, str(tmp_path / "none.bin")]) == 1
    printed = capsys.readouterr()
    assert printed.out.splitlines() == [f"{CALL}  build print  1 moment", "  0x0007  1  100.0%"]
    assert printed.err.splitlines() == [
        "lowhalf: file bad.bin.gz: gzip: the stream is cut off before its end: copy or make the "
        "dump again; as raw without unpacking gzip no build is recognised either",
        'lowhalf: file other.bin (raw): no build is recognised: print wants "TIDE 1.0" at '
        "0x80000400, found 00 00 00 00 00 00 00 00",
        f"lowhalf: none.bin: {tmp_path / 'none.bin'} cannot be read: no such file or directory",
    ]
    # where none can be read there is nothing to print
    assert main(["tally", str(path), "--dump", str(bad), str(other)]) == 3
    printed = capsys.readouterr()
    assert printed.out == ""
    assert len(printed.err.splitlines()) == 2


def test_a_recording_of_another_game_is_no_count_of_zero(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = practice_files.write(tmp_path, laps=1)
    schema = tmp_path / "p.schema.toml"
    text = schema.read_text("utf-8").replace("TIDE 1.0", "TIDE 8.8")
    build = text[text.index("[builds.print]") :]
    text += build.replace("builds.print", "builds.reprint").replace("TIDE 8.8", "TIDE 9.9")
    schema.write_text(text, "utf-8")
    assert main(["tally", str(path)]) == 3
    assert capsys.readouterr().err == (
        'lowhalf: recording p.mcap: no build is recognised: print wants "TIDE 8.8" at 0x80000400, '
        'found "TIDE 1.0"; reprint wants "TIDE 9.9" at 0x80000400, found "TIDE 1.0"\n'
    )
