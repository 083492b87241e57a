"""``lowhalf layout`` on the demo game's dumps, and ``layout("…")`` in watches."""

from __future__ import annotations

import gzip
import json
import struct
import tomllib
from pathlib import Path
from typing import Any

import pytest

from adapters.commands.main import main
from schemas.layout_file import BlockTable, load_layout
from tests.commands import evil_files
from tests.commands.command import lowhalf

ROOT = Path(__file__).parents[2]
DUMPS = ROOT / "sample_dumps"
SCHEMA = ROOT / "schemas" / "games" / "tidewright.schema.toml"
RAM = 0x8000_0000
HEAP_HEAD = 0x8018_0EB0  # first-print's, by its linker map: see the schema
KINDS = {1: "courier", 2: "lantern", 3: "crate", 4: "gull", 5: "buoy", 6: "mist_puff"}


def bridge(dump: str) -> str:
    return str(DUMPS / f"{dump}.bridge.toml")


def saved(directory: Path, dump: str = "first-print-carry") -> Path:
    path = directory / "good.layout.toml"
    assert main(["layout", "save", bridge(dump), str(path)]) == 0
    return path


def walked(data: bytes, head: int = HEAP_HEAD) -> list[BlockTable]:
    """The blocks by a walk of this test's own: the game's BlockHeader, then the actor's kind."""
    blocks, first = [], None
    (header,) = struct.unpack_from(">I", data, head - RAM)
    while header:
        magic, used, _, size, following, _ = struct.unpack_from(">HBBIII", data, header - RAM)
        assert magic == 0x7B10
        payload = header + 0x10
        first = payload if first is None else first
        (kind,) = struct.unpack_from(">H", data, payload - RAM)
        owner = KINDS[kind] if used else "free"
        blocks.append(BlockTable(owner=owner, size=size, used=bool(used), at=payload - first))
        header = following
    return blocks


def test_save_writes_every_block_and_compare_then_finds_no_difference(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = saved(tmp_path)
    assert capsys.readouterr().out.splitlines() == [
        "frame 151 · build first-print · file first-print-carry.bin.gz · still",
        f"6 blocks saved to {path}",
    ]
    layout = load_layout(path)
    assert (layout.game, layout.build) == ("Tidewright", "first-print")
    assert layout.saved_from == "file first-print-carry.bin.gz, frame 151"
    assert str(ROOT) not in path.read_text("utf-8")
    # outside reference: the bytes themselves, walked with the game's own struct
    data = gzip.decompress((DUMPS / "first-print-carry.bin.gz").read_bytes())
    assert list(layout.blocks) == walked(data)
    assert main(["layout", "compare", bridge("first-print-carry"), str(path)]) == 0
    assert capsys.readouterr().out.splitlines()[1:] == ["matches: 6 blocks"]


def test_compare_tells_the_first_difference_and_lists_both_sides(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = saved(tmp_path)
    capsys.readouterr()
    dump = str(DUMPS / "first-print-stale-reuse.bin.gz")
    words = ["layout", "compare", bridge("first-print-carry"), str(path), "--dump", dump]
    assert main(words) == 1
    assert capsys.readouterr().out.splitlines() == [
        "frame 941 · build first-print · file first-print-stale-reuse.bin.gz · still",
        "after block 1 (crate): expected lantern, 0x1C0 bytes; "
        "found gull, 0x1D0 bytes (lantern is missing)",
        "",
        "expected                                             found",
        "0         crate    0x1D0   at +0x0                   0      crate  0x1D0   at +0x0",
        "1         crate    0x1D0   at +0x1E0                 1      crate  0x1D0   at +0x1E0",
        "2         lantern  0x1C0   at +0x3C0  expected only",
        "3         gull     0x1D0   at +0x590                 2      gull   0x1D0   at +0x3C0",
        "4         buoy     0x1B0   at +0x770  expected only",
        "5         free     0xF6C0  at +0x930  differs        3      free   0xFA50  at +0x5A0",
    ]


def test_compare_json_has_every_line_as_data(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = saved(tmp_path)
    capsys.readouterr()
    words = ["layout", "compare", bridge("first-print-stale-mist"), str(path), "--json"]
    assert main(words) == 1
    found = json.loads(capsys.readouterr().out)
    assert list(found) == [
        *("matches", "first", "difference", "damaged", "note"),
        *("frame", "build", "source", "lines"),
    ]
    assert (found["matches"], found["first"], found["damaged"]) == (False, 2, None)
    assert found["difference"].startswith("after block 1 (crate): expected lantern, 0x1C0 bytes;")
    sorts = [line["sort"] for line in found["lines"]]
    assert sorts == [
        *("same", "same", "expected only", "same", "expected only", "found only", "differs"),
    ]
    assert found["lines"][5] == {
        "sort": "found only",
        "expected": None,
        "found": {"index": 3, "owner": "mist_puff", "size": 0x230, "used": True, "at": 0x5A0},
    }


def test_long_runs_of_the_same_are_told_by_their_count(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = saved(tmp_path)
    path.write_text(path.read_text("utf-8").replace("size = 0xF6C0", "size = 0xF6D0"), "utf-8")
    capsys.readouterr()
    assert main(["layout", "compare", bridge("first-print-carry"), str(path)]) == 1
    lines = capsys.readouterr().out.splitlines()
    assert lines[1] == (
        "after block 4 (buoy): expected free, 0xF6D0 bytes; found free, 0xF6C0 bytes (0x10 less)"
    )
    assert len(lines) == 3 + 1 + 6  # five that are the same are not worth hiding
    data = bytearray(gzip.decompress((DUMPS / "first-print-carry.bin.gz").read_bytes()))
    split_last(data, 4)
    dump = tmp_path / "split.bin"
    dump.write_bytes(data)
    words = ["layout", "compare", bridge("first-print-carry"), str(path), "--dump", str(dump)]
    more = tmp_path / "more.layout.toml"
    assert main(["layout", "save", words[2], str(more), "--dump", str(dump)]) == 0
    text = more.read_text("utf-8").replace("size = 0xF640", "size = 0xF650")
    more.write_text(text, "utf-8")
    capsys.readouterr()
    words[3] = str(more)
    assert main(words) == 1
    lines = capsys.readouterr().out.splitlines()
    assert lines[6] == "… 5 blocks the same"
    assert [line.split()[0] for line in lines[4:]] == ["0", "1", "…", "7", "8", "9"]
    assert main([*words, "--all"]) == 1
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in lines[4:]] == [str(number) for number in range(10)]


def split_last(data: bytearray, times: int) -> None:
    """Hand out 16 bytes from the heap's last block, *times* over, as the game's allocator does."""
    (header,) = struct.unpack_from(">I", data, HEAP_HEAD - RAM)
    while True:
        (following,) = struct.unpack_from(">I", data, header + 8 - RAM)
        if not following:
            break
        header = following
    for _ in range(times):
        (size,) = struct.unpack_from(">I", data, header + 4 - RAM)
        rest = header + 0x20
        previous = struct.unpack_from(">I", data, header + 12 - RAM)[0]
        struct.pack_into(">HBBIII", data, header - RAM, 0x7B10, 1, 1, 0x10, rest, previous)
        struct.pack_into(">H", data, header + 0x10 - RAM, 4)
        struct.pack_into(">HBBIII", data, rest - RAM, 0x7B10, 0, 0, size - 0x20, 0, header)
        header = rest


def test_another_build_is_compared_with_a_note(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = saved(tmp_path)
    capsys.readouterr()
    # the same structs at other addresses: nothing differs, and nothing is to be noted
    assert main(["layout", "compare", bridge("second-print-carry"), str(path)]) == 0
    assert capsys.readouterr().out.splitlines()[1:] == ["matches: 6 blocks"]
    words = ["layout", "compare", bridge("export-carry"), str(path)]
    assert main(words) == 1
    assert capsys.readouterr().out.splitlines()[1:3] == [
        "after block 3 (gull): expected buoy, 0x1B0 bytes; found buoy, 0x1C0 bytes (0x10 more)",
        "note: saved on first-print, compared on export, where sizes may differ; "
        "--ignore-sizes compares owners and use alone",
    ]
    assert main([*words, "--ignore-sizes"]) == 0
    assert capsys.readouterr().out.splitlines()[1:] == ["matches: 6 blocks"]


def test_a_file_that_is_there_is_left_alone_unless_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "good.layout.toml"
    path.write_text("mine", "utf-8")
    words = ["layout", "save", bridge("first-print-carry"), str(path)]
    assert main(words) == 2
    assert path.read_text("utf-8") == "mine"
    assert capsys.readouterr().err == f"lowhalf: {path}: is there already; --force replaces it\n"
    assert main([*words, "--force", "--title", "Good"]) == 0
    assert load_layout(path).title == "Good"
    nowhere = tmp_path / "none" / "good.layout.toml"
    assert main([*words[:3], str(nowhere)]) == 2
    assert "cannot be written: no such file or directory" in capsys.readouterr().err


def damaged(directory: Path, header: int) -> str:
    """A dump in which the block header at an address has lost its magic value."""
    data = bytearray(gzip.decompress((DUMPS / "first-print-carry.bin.gz").read_bytes()))
    assert data[header - RAM : header - RAM + 2] == b"\x7b\x10"
    data[header - RAM] = 0
    path = directory / "damaged.bin"
    path.write_bytes(data)
    return str(path)


def third_header() -> int:
    data = gzip.decompress((DUMPS / "first-print-carry.bin.gz").read_bytes())
    (header,) = struct.unpack_from(">I", data, HEAP_HEAD - RAM)
    for _ in range(3):
        (header,) = struct.unpack_from(">I", data, header + 8 - RAM)
    return int(header)


def test_a_damaged_heap_is_not_saved_unless_told_and_never_matches(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, dump = tmp_path / "good.layout.toml", damaged(tmp_path, third_header())
    words = [bridge("first-print-carry"), str(path), "--dump", dump]
    assert main(["layout", "save", *words]) == 2
    error = capsys.readouterr().err
    assert error.startswith(f"lowhalf: {path}: not saved: ")
    assert error.endswith("; --damaged saves the 3 blocks before that\n")
    assert f"0x{third_header():08X}" in error
    assert not path.exists()
    assert main(["layout", "save", *words, "--damaged"]) == 0
    capsys.readouterr()
    # what is there is as it was saved, but what is not there is not known
    assert main(["layout", "compare", *words]) == 1
    lines = capsys.readouterr().out.splitlines()
    assert lines[1] == "matches: 3 blocks"
    assert lines[2].startswith("note: ")
    assert main(["layout", "compare", *words, "--json"]) == 1
    found = json.loads(capsys.readouterr().out)
    assert (found["matches"], found["first"], found["difference"]) == (False, None, None)
    assert f"0x{third_header():08X}" in found["damaged"]


def test_wrong_files_end_with_2_and_a_missing_source_with_3(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = saved(tmp_path)
    capsys.readouterr()
    words = ["layout", "compare", bridge("first-print-carry"), str(path)]
    path.write_text(path.read_text("utf-8").replace('"Tidewright"', '"Lanternfall"'), "utf-8")
    assert main(words) == 2
    assert capsys.readouterr().err == (
        f'lowhalf: {path}: is a layout of "Lanternfall", expected one of "Tidewright"\n'
    )
    head = 'game = "Tidewright"\nbuild = "export"\n'
    path.write_text(f"{head}blocks = [ {{ owner = 5, size = 16, usde = 1 }} ]\n", "utf-8")
    assert main(words) == 2
    assert capsys.readouterr().err == (
        f"lowhalf: {path}:3: blocks.0.owner: expected a text, found 5 "
        "(and 1 more fault in this file)\n"
    )
    path.unlink()
    assert main(words) == 2
    assert "cannot be read: no such file or directory" in capsys.readouterr().err
    assert main(["layout", "save", *words[2:], "--dump", str(tmp_path / "none.bin")]) == 3
    assert not path.exists()


def test_a_schema_without_a_heap_is_told_of(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from tests.commands import files

    path = files.write(tmp_path)
    assert main(["layout", "save", str(path), str(tmp_path / "good.layout.toml")]) == 2
    assert "describes no heap; add [heap]" in capsys.readouterr().err


# -- watches

WATCHES = """
[[watches]]
name = "setup"
label = "Set-up"
expr = 'layout("good")'
target = { equals = "matches" }
[[watches]]
name = "number"
expr = 'layout("good") + 0'
"""


def watching(directory: Path, layouts: str, dump: str, watches: str = WATCHES) -> Path:
    """A bridge file over a dump, with layouts and watches."""
    text = f'schema = "{SCHEMA.as_posix()}"\n[source]\nkind = "file"\n'
    text += f'path = "{(DUMPS / dump).as_posix()}.bin.gz"\n'
    path = directory / "watching.bridge.toml"
    path.write_text(f"{text}[layouts]\n{layouts}{watches}", "utf-8")
    return path


def readings(path: Path, capsys: pytest.CaptureFixture[str], *more: str) -> list[Any]:
    capsys.readouterr()
    main(["read", str(path), "--json", *more])
    found: list[Any] = json.loads(capsys.readouterr().out)["readings"]
    return found


@pytest.mark.parametrize(
    ("dump", "value", "text", "target"),
    [
        ("first-print-carry", 1, "matches", "hit"),
        ("second-print-carry", 1, "matches", "hit"),
        ("first-print-stale-hold", 2, "differs at block 2", "miss"),
        ("first-print-mist-stair", 0, "differs at block 0", "miss"),
        ("export-carry", 4, "differs at block 4", "miss"),
    ],
)
def test_a_watch_matches_or_tells_the_first_block_that_differs(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    dump: str,
    value: int,
    text: str,
    target: str,
) -> None:
    saved(tmp_path)
    path = watching(tmp_path, 'good = "good.layout.toml"\n', dump)
    setup, number = readings(path, capsys)
    assert (setup["value"], setup["text"], setup["target"]) == (value, text, target)
    assert (setup["status"], setup["address"]) == ("ok", None)
    assert (number["value"], number["text"]) == (value, str(value))


def test_block_1_is_never_taken_for_a_match(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    saved(tmp_path)
    layout = tmp_path / "good.layout.toml"
    text = layout.read_text("utf-8")
    row = next(line for line in text.splitlines() if "at = 0x1E0" in line)
    layout.write_text(text.replace(row, row.replace("crate", "buoy")), "utf-8")
    path = watching(tmp_path, 'good = "good.layout.toml"\n', "first-print-carry")
    setup, number = readings(path, capsys)
    assert (setup["value"], setup["text"], setup["target"]) == (-1, "differs at block 1", "miss")
    assert number["value"] == -1


def test_a_watch_may_ignore_sizes_and_may_be_shown_as_a_number(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    saved(tmp_path)
    rough = 'good = { path = "good.layout.toml", ignore_sizes = true }\n'
    shown = WATCHES.replace('label = "Set-up"', 'show = "decimal"')
    path = watching(tmp_path, rough, "export-carry", shown)
    setup, _ = readings(path, capsys)
    assert (setup["value"], setup["text"], setup["target"]) == (1, "1", "hit")
    added = readings(path, capsys, "--watch", '(layout("good") == 1) + 1')
    assert added[0]["value"] == 2


def test_a_damaged_heap_is_no_match_and_a_difference_before_the_damage_still_shows(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    saved(tmp_path)
    dump = damaged(tmp_path, third_header())
    path = watching(tmp_path, 'good = "good.layout.toml"\n', "first-print-carry")
    setup, _ = readings(path, capsys, "--dump", dump)
    assert (setup["status"], setup["value"], setup["text"]) == ("damaged", None, "")
    assert f"0x{third_header():08X}" in setup["reason"]
    layout = tmp_path / "good.layout.toml"
    layout.write_text(layout.read_text("utf-8").replace('"crate", ', '"buoy",  '), "utf-8")
    setup, _ = readings(path, capsys, "--dump", dump)
    assert (setup["status"], setup["value"]) == ("damaged", 0)
    assert setup["text"] == "differs at block 0"


@pytest.mark.parametrize(
    ("layouts", "watch", "message"),
    [
        ('good = "none.layout.toml"\n', "layout('good')",
         "watching.bridge.toml:6: layouts.good: there is no file {here}/none.layout.toml; "
         "lowhalf layout save makes one"),
        ("good = 5\n", "layout('good')",
         "watching.bridge.toml:6: layouts.good: expected a table, found 5"),
        ('good = { path = "good.layout.toml", ignore_size = 1 }\n', "layout('good')",
         "watching.bridge.toml:6: layouts.good.ignore_size: unknown key; "
         "did you mean ignore_sizes?"),
        ('good = "good.layout.toml"\n', "layout('god')", "unknown layout god; did you mean good?"),
        ("", "layout('good')",
         "unknown layout good; name its file in [layouts] of the bridge file"),
        ('good = "good.layout.toml"\n', "layout(5)",
         "expected a layout's name in quotation marks"),
    ],
)  # fmt: skip
def test_wrong_layouts_are_refused_at_load(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    layouts: str,
    watch: str,
    message: str,
) -> None:
    saved(tmp_path)
    table = f'[[watches]]\nname = "setup"\nexpr = "{watch}"\n'
    path = watching(tmp_path, layouts, "first-print-carry", table)
    capsys.readouterr()
    assert main(["check", str(path)]) == 2
    assert message.format(here=tmp_path) in capsys.readouterr().err


def test_a_layout_of_another_game_and_a_wrong_target_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    layout = saved(tmp_path)
    good = layout.read_text("utf-8")
    layout.write_text(good.replace('"Tidewright"', '"Lanternfall"'), "utf-8")
    path = watching(tmp_path, 'good = "good.layout.toml"\n', "first-print-carry")
    capsys.readouterr()
    assert main(["check", str(path)]) == 2
    assert "layouts.good: is a layout of Lanternfall, expected one of Tidewright" in (
        capsys.readouterr().err
    )
    layout.write_text(good, "utf-8")
    for target, message in [
        ("equals = 15", 'expected "matches" or 1, found 15'),
        ("between = [0, 3]", "a value of type layout has no distances; use equals"),
    ]:
        wrong = WATCHES.replace('equals = "matches"', target)
        path = watching(tmp_path, 'good = "good.layout.toml"\n', "first-print-carry", wrong)
        assert main(["check", str(path)]) == 2
        assert message in capsys.readouterr().err


def test_a_layout_can_be_saved_before_the_bridge_file_that_names_it_loads(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = watching(tmp_path, 'good = "good.layout.toml"\n', "first-print-carry")
    assert main(["read", str(path)]) == 2
    assert main(["layout", "save", str(path), str(tmp_path / "good.layout.toml")]) == 0
    setup, _ = readings(path, capsys)
    assert setup["text"] == "matches"


def test_explain_and_check_know_a_layout(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    saved(tmp_path)
    path = watching(tmp_path, 'good = "good.layout.toml"\n', "first-print-stale-hold")
    capsys.readouterr()
    assert main(["explain", str(path), "setup"]) == 0
    assert capsys.readouterr().out.splitlines()[-1] == "setup  =  differs at block 2"
    assert main(["check", str(path)]) == 0
    assert "setup   layout  computed" in capsys.readouterr().out


def test_the_daemon_agrees_with_the_guest_in_every_frame_of_a_recording(tmp_path: Path) -> None:
    # outside reference: the game's own checksum over each block's address, size and use
    saved(tmp_path)
    checksum = '[[watches]]\nname = "checksum"\nexpr = "heap_checksum"\n'
    path = watching(
        tmp_path, 'good = "good.layout.toml"\n', "first-print-carry", WATCHES + checksum
    )
    wanted = lowhalf("read", str(path), "--watch", "checksum", "--json").stdout
    good = json.loads(wanted)["readings"][0]["value"]
    text = path.read_text("utf-8").replace('kind = "file"', 'kind = "recording"')
    # all of the lap's 20 seconds
    text = text.replace("[source]", "[source]\nspeed = 6")
    path.write_text(text.replace("first-print-carry.bin.gz", "demo.mcap"), "utf-8")
    done = lowhalf("run", str(path), "--json", "--seconds", "5")
    assert done.returncode == 0, done.stderr
    values = set()
    for line in done.stdout.splitlines():
        setup, _, found = json.loads(line)["readings"]
        assert setup["status"] == "ok"
        assert (setup["value"] == 1) is (found["value"] == good), line
        assert setup["text"] == (
            "matches" if setup["value"] == 1 else f"differs at block {setup['value']}"
        )
        values.add(setup["value"])
    assert {0, 1} <= values


def test_a_kind_that_is_called_as_a_wildcard_is_kept_as_it_is_called(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    schema = tomllib.loads(evil_files.SCHEMA)
    schema["heap"]["owner"]["sizes"] = {"any*": 0x20}
    for table in ("allocator", "state", "actions"):
        del schema[table]
    bridge = evil_files.write(tmp_path, schema)
    path = tmp_path / "any.layout.toml"
    assert main(["layout", "save", str(bridge), str(path)]) == 0
    # outside reference: the standard library's TOML reader
    blocks = tomllib.loads(path.read_text("utf-8"))["blocks"]
    assert {block.get("literal") for block in blocks if block["owner"] == "any*"} == {True}
    capsys.readouterr()
    assert main(["layout", "compare", str(bridge), str(path)]) == 0
    told = capsys.readouterr().out
    assert "matches: " in told
    assert " took " not in told


def test_an_owner_that_no_layout_can_name_is_told_of(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The schema may call a block whatever it likes; a layout's names are short."""
    for owner in ("", "g" * 65):
        schema = tomllib.loads(evil_files.SCHEMA)
        schema["heap"]["owner"]["sizes"] = {owner: 0x20}
        for table in ("allocator", "state", "actions"):  # which name kinds that are gone
            del schema[table]
        bridge = evil_files.write(tmp_path, schema)
        path = tmp_path / "long.layout.toml"
        assert main(["layout", "save", str(bridge), str(path)]) == 2
        shown = f"{owner[:19]}…{owner[-19:]}" if owner else ""
        assert capsys.readouterr().err == (
            f'lowhalf: {path}: not saved: the owner "{shown}" has {len(owner)} characters, '
            "expected 1 to 64\n"
        )
        assert not path.exists()


WILD = """\
game = "Tidewright"
build = "first-print"
blocks = [
    { owner = "crate", size = "any", at = 0 },
    { owner = "any*" },
    { owner = "gull", size = 0x1D0 },
    { owner = "any", size = 0x1B0, used = true },
    { owner = "the rest" },
]
"""


def test_wildcards_say_what_they_took(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "wild.layout.toml"
    path.write_text(WILD, "utf-8")
    words = ["layout", "compare", bridge("first-print-carry"), str(path)]
    assert main(words) == 0
    took = [
        "0 crate, any size took block 0 (crate, 0x1D0 bytes)",
        "1 any* took blocks 1 to 2 (crate, lantern)",
        "3 any block, 0x1B0 bytes, in use took block 4 (buoy, 0x1B0 bytes)",
        "4 the rest took block 5 (free)",
    ]
    assert capsys.readouterr().out.splitlines()[1:] == ["matches: 6 blocks", *took]
    assert main([*words, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert [each["words"] for each in answer["wildcards"]] == took
    assert [each["took"] for each in answer["wildcards"]] == [[0], [1, 2], [4], [5]]
    assert [line["expected"]["index"] for line in answer["lines"]] == [0, 1, 1, 2, 3, 4]
    wild = {"index": 1, "owner": "any*", "size": None, "used": None, "at": None, "wildcard": True}
    assert answer["lines"][1]["expected"] == wild
    assert "wildcard" not in answer["lines"][3]["expected"]
    dump = str(DUMPS / "first-print-stale-reuse.bin.gz")
    assert main([*words, "--all", "--dump", dump]) == 1
    told = capsys.readouterr().out.splitlines()[1:]
    assert told[:5] == [
        "after block 2 (gull): expected any block, 0x1B0 bytes, in use; found free, 0xFA50 bytes",
        "0 crate, any size took block 0 (crate, 0x1D0 bytes)",
        "1 any* took block 1 (crate)",
        "3 any block, 0x1B0 bytes, in use took none",
        "4 the rest took none",
    ]
    assert [" ".join(line.split()) for line in told[5:]] == [
        "",
        "expected found",
        "0 crate any at +0x0 0 crate 0x1D0 at +0x0",
        "1 any* 1 crate 0x1D0 at +0x1E0",
        "2 gull 0x1D0 2 gull 0x1D0 at +0x3C0",
        "3 any block 0x1B0 differs 3 free 0xFA50 at +0x5A0",
        "4 the rest",
    ]


def test_a_watch_knows_wildcards(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "wild.layout.toml"
    path.write_text(WILD, "utf-8")
    text = Path(bridge("first-print-carry")).read_text("utf-8")
    text = text.replace('"../', f'"{ROOT.as_posix()}/').replace(
        'path = "first', f'path = "{DUMPS.as_posix()}/first'
    )
    made = tmp_path / "wild.bridge.toml"
    made.write_text(text + '\n[layouts]\nwild = "wild.layout.toml"\n', "utf-8")
    words = ["read", str(made), "--watch", 'layout("wild")', "--json"]
    for dump, value in (("carry", "matches"), ("stale-reuse", "differs at block 4")):
        assert main([*words, "--dump", str(DUMPS / f"first-print-{dump}.bin.gz")]) == 0
        readings = json.loads(capsys.readouterr().out)["readings"]
        assert readings[-1]["text"] == value
