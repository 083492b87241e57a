"""``lowhalf plan`` on a game made by hand whose allocator is another: next fit from the high end.

Two builds, the second with larger crates; a second heap with best fit; all bytes are this test's.
"""

from __future__ import annotations

import json
import struct
from pathlib import Path
from typing import Any

import pytest

from adapters.commands.main import main

BASE, SIZE = 0x8000_0000, 0x4000
HEAP, POOL = 0x1000, 0x2000
ROVER, WANTED, TIDE = 0x508, 0x510, 0x514
KINDS = {"lantern": 1, "crate": 2, "gull": 3}
SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "little"
regions = [ { name = "ram", start = 0x8000_0000, size = 0x4000 } ]
[enums.Kind]
base = "u32"
values = { lantern = 1, crate = 2, gull = 3 }
[structs.Header]
size = 8
[structs.Header.fields]
used = { at = 0, type = "u32" }
size = { at = 4, type = "u32" }
[structs.Thing]
size = 0x20
[structs.Thing.fields]
kind  = { at = 0, type = "Kind" }
light = { at = 0x14, type = "u16" }
[structs.Crate]
size = 0x38
builds = { late = 0x48 }
[structs.Crate.fields]
thing = { at = 0, type = "Thing" }
cargo = { at = 0x20, type = "u16", builds = { late = 0x30 } }
[symbols]
heap_head = "Header*"
pool_head = "Header*"
rover     = "u32"
wanted    = "Thing*"
tide      = "u32"
[heap]
block     = "Header"
first     = "heap_head"
next      = "address(block) + 8 + block.size if address(block) + 8 + block.size < 0x8000_1800 else 0"
size      = "block.size"
used      = "block.used != 0"
payload   = "address(block) + 8"
alignment = 8
owner     = { struct = "Thing", field = "kind", structs = { lantern = "Thing", crate = "Crate" } }
[allocator]
fit         = "next"
tried_from  = "high"
carved_from = "high"
merge       = "both"
rover       = "rover"
arena       = { from = 0x8000_1000, to = 0x8000_1800 }
sizes       = { gull = 0x58 }
[heaps.pool]
block     = "Header"
first     = "pool_head"
next      = "address(block) + 8 + block.size if address(block) + 8 + block.size < 0x8000_2400 else 0"
size      = "block.size"
used      = "block.used != 0"
payload   = "address(block) + 8"
alignment = 8
owner     = { sizes = { wave = 0x30, drop = 0x10 } }
[heaps.pool.allocator]
fit   = "best"
arena = { from = 0x8000_2000, to = 0x8000_2400 }
[state]
tide = "tide"
[actions.drop_crate]
frames  = 10
effects = [{ alloc = "crate" }]
[actions.call_gull]
frames  = 30
precise = 2
needs   = { tide = { from = 1 } }
effects = [{ alloc = "gull" }]
[actions.wait_for_flood]
frames = 200
needs  = { tide = 0 }
sets   = { tide = 1 }
[actions.clear]
frames  = 50
effects = [{ free = ["crate", "gull"], which = "all" }]
[actions.splash]
frames  = 5
effects = [{ alloc = "drop", heap = "pool" }]
[actions.swell]
frames  = 5
effects = [{ alloc = "wave", heap = "pool" }]
[builds.early]
recognise = [ { at = 0x8000_0400, text = "EARLY" } ]
at = { heap_head = 0x8000_0500, pool_head = 0x8000_0504, rover = 0x8000_0508, wanted = 0x8000_0510, tide = 0x8000_0514 }
[builds.late]
recognise = [ { at = 0x8000_0400, text = "LATER" } ]
at = { heap_head = 0x8000_0500, pool_head = 0x8000_0504, rover = 0x8000_0508, wanted = 0x8000_0510, tide = 0x8000_0514 }
"""  # noqa: E501
BRIDGE = 'schema = "t.schema.toml"\n[source]\nkind = "file"\npath = "early.bin"\n'
SIZES = {"early": {"lantern": 0x20, "crate": 0x38}, "late": {"lantern": 0x20, "crate": 0x48}}
Capture = pytest.CaptureFixture[str]


def ram(build: str, tide: int = 0) -> bytes:
    """A lantern in the middle with a crate at either side, all else free; the rover behind them."""
    data = bytearray(SIZE)
    data[0x400:0x405] = {"early": b"EARLY", "late": b"LATER"}[build]
    crate, lantern = SIZES[build]["crate"], SIZES[build]["lantern"]
    used = [(crate, "crate"), (lantern, "lantern"), (crate, "crate")]
    low = 0x800 - sum(8 + size for size, _ in used)
    at = HEAP
    for size, kind in [(low - 8, ""), *used]:
        struct.pack_into("<III", data, at, bool(kind), size, KINDS.get(kind, 0))
        at += 8 + size
    assert at == HEAP + 0x800
    struct.pack_into("<II", data, 0x500, BASE + HEAP, BASE + POOL)
    struct.pack_into("<I", data, ROVER, BASE + HEAP + low)
    struct.pack_into("<II", data, WANTED, BASE + HEAP + low + 8, tide)
    at = POOL
    # two holes between waves: best fit takes the one that a drop fits best
    for size, used_now in [(0x30, 1), (0x28, 0), (0x30, 1), (0x18, 0), (0x30, 1), (0x300, 0)]:
        struct.pack_into("<II", data, at, used_now, size)
        at += 8 + size
    assert at == POOL + 0x400
    return bytes(data)


@pytest.fixture(scope="module")
def bridge(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("other")
    (folder / "t.schema.toml").write_text(SCHEMA, "utf-8")
    for build in SIZES:
        (folder / f"{build}.bin").write_bytes(ram(build))
    (folder / "flood.bin").write_bytes(ram("early", tide=1))
    path = folder / "t.bridge.toml"
    path.write_text(BRIDGE, "utf-8")
    return str(path)


def planned(capsys: Capture, *words: str) -> dict[str, Any]:
    capsys.readouterr()
    main(["plan", *words, "--json"])
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def actions(found: dict[str, Any]) -> list[str]:
    return [step["action"] for step in found["steps"]]


def test_next_fit_from_the_high_end_and_the_lowest_of_the_front(
    bridge: str, capsys: Capture
) -> None:
    """``wanted`` is where the lower crate lies; a gull is larger, so it never fits that hole."""
    found = planned(capsys, bridge, "--want", "gull", "--at", "wanted")
    assert (found["found"], found["verdict"]) == (False, "impossible")
    # the first crate that is dropped lies right before the lowest block, carved from the high end
    low = 0x8000_1800 - 2 * (8 + 0x38) - (8 + 0x20)
    found = planned(capsys, bridge, "--want", "crate", "--at", f"{low - 0x38:#x}")
    assert actions(found) == ["drop_crate"]
    # a gull needs the flood
    found = planned(capsys, bridge, "--want", "gull", "--at", f"{low - 0x58:#x}")
    assert (actions(found), found["frames"], found["precise"]) == (
        ["wait_for_flood", "call_gull"],
        230,
        2,
    )
    flood = str(Path(bridge).with_name("flood.bin"))
    found = planned(capsys, bridge, "--dump", flood, "--want", "gull", "--at", f"{low - 0x58:#x}")
    assert (actions(found), found["frames"]) == (["call_gull"], 30)
    found = planned(capsys, bridge, "--want", "gull", "--at", f"{low - 0x58:#x}", "--precise", "1")
    assert (found["found"], found["verdict"]) == (False, "none within the bound")


def test_the_other_build_is_derived_from_the_high_end(bridge: str, capsys: Capture) -> None:
    late = str(Path(bridge).with_name("late.bin"))
    words = ["--put", "crate.cargo", "--under", "wanted.light", "--builds", "all"]
    derived = planned(capsys, bridge, *words)
    assert derived["builds"] == ["early", "late"]
    read = planned(capsys, bridge, "--dump", str(Path(bridge).with_name("early.bin")), late, *words)
    # outside reference: the bytes that this test wrote for the other build
    assert derived["start"] == read["start"]
    assert [each["owner"] for each in read["start"]["late"]] == [
        *("free", "crate", "lantern", "crate")
    ]
    # cargo is at 0x20 on early and 0x30 on late, light at 0x14: the crate starts before wanted
    for found in (derived, read):
        assert found["verdict"] == "impossible"
        assert "0x" in found["reason"]


def test_a_further_heap_has_plans_of_its_own(bridge: str, capsys: Capture, tmp_path: Path) -> None:
    """Of the holes 0x28, 0x18 and 0x300 bytes long best fit takes the second for 0x10 bytes."""
    hole = 0x8000_2000 + 0x38 + 0x30 + 0x38 + 8
    words = ["--heap", "pool", "--want", "drop", "--at", f"{hole:#x}"]
    path = tmp_path / "pool.plan.toml"
    found = planned(capsys, bridge, *words, "--save", str(path))
    assert actions(found) == ["splash"]
    assert 'heap = "pool"\n' in path.read_text("utf-8")
    # the larger of the small holes is only taken once the other is full
    words[-1] = f"{0x8000_2000 + 0x38 + 8:#x}"
    assert actions(planned(capsys, bridge, *words)) == ["splash", "splash"]
    capsys.readouterr()
    assert main(["plan", bridge, "--heap", "poll", *words[2:]]) == 2
    assert "describes no allocator of a heap poll; did you mean pool?" in capsys.readouterr().err


def test_a_damaged_heap_and_a_null_pointer_are_no_start(
    bridge: str, capsys: Capture, tmp_path: Path
) -> None:
    data = bytearray(ram("early"))
    struct.pack_into("<I", data, HEAP + 4, 0x7000)
    path = tmp_path / "broken.bin"
    path.write_bytes(data)
    capsys.readouterr()
    assert main(["plan", bridge, "--dump", str(path), "--free", "0x80001010"]) == 2
    told = capsys.readouterr().err
    assert told.startswith("lowhalf: the heap is damaged: the first block, with its header at ")
    assert told.endswith("; planning needs all of it\n")
    data = bytearray(ram("early"))
    struct.pack_into("<I", data, WANTED, 0)
    path.write_bytes(data)
    assert main(["plan", bridge, "--dump", str(path), "--free", "wanted"]) == 2
    assert capsys.readouterr().err == (
        "lowhalf: --free wanted: it is null on early, so it leads nowhere\n"
    )
