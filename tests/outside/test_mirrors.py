"""One RAM seen at two addresses: MIPS's unmapped segments, and what lies at their ends.

Sources: MIPS32 Architecture for Programmers, volume III (privileged resource architecture),
chapter on virtual memory, from memory: KSEG0 is 0x80000000 to 0x9FFFFFFF and KSEG1 0xA0000000 to
0xBFFFFFFF, both unmapped, and the physical address is the low 29 bits in either; KUSEG below and
KSEG2 and KSEG3 above are mapped through the TLB.  And QEMU's own MIPS processor, whose monitor
reads memory at virtual addresses.
"""

from __future__ import annotations

import json
import re
import struct
from collections.abc import Iterator, Mapping
from contextlib import redirect_stdout
from io import StringIO
from pathlib import Path
from typing import Any

import pytest

from adapters.commands.main import main
from bridge.values.status import Status
from tests.guest.machine import GuestMachine
from tests.outside.evaluating import Found, both, ready

KSEG0, KSEG1 = 0x8000_0000, 0xA000_0000
PHYSICAL = 0x1FFF_FFFF
"""The bits of a KSEG0 or KSEG1 address that are the physical address."""
SIZE = 0x1000
SCHEMA_PATH = Path(__file__).parents[2] / "schemas" / "games" / "tidewright.schema.toml"

SCHEMA = f"""
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ {{ name = "ram", start = {KSEG0:#x}, size = {SIZE:#x}, mirrors = [{KSEG1:#x}] }} ]
[structs.Buoy]
size = 0x20
[structs.Buoy.fields]
depth  = {{ at = 0x00, type = "f32" }}
bell   = {{ at = 0x04, type = "u16" }}
next   = {{ at = 0x08, type = "Buoy*" }}
sounds = {{ at = 0x0C, type = "s8[4]" }}
mark   = {{ at = 0x10, type = "u8" }}
name   = {{ at = 0x14, type = "char[8]" }}
[symbols]
cached   = "Buoy*"
uncached = "Buoy*"
number   = "u32"
same     = "u32"
[builds.only.at]
cached   = {KSEG0 + 0x10:#x}
uncached = {KSEG1 + 0x14:#x}
number   = {KSEG0 + 0x200:#x}
same     = {KSEG1 + 0x200:#x}
"""


def physical(memory: bytes, address: int, length: int) -> bytes | None:
    """What the processor loads: the manual's rule, None where there is no RAM."""
    if not KSEG0 <= address < 0xC000_0000:
        return None
    start = address & PHYSICAL
    return memory[start : start + length] if start + length <= len(memory) else None


def read(tmp_path: Path, memory: bytes, *expressions: str) -> Mapping[str, Found]:
    return both(ready(tmp_path, SCHEMA, expressions), [memory])


def memory_with(**words: int) -> bytes:
    """RAM of recognisable bytes with words at hexadecimal places, as ``at_10=0x80000100``."""
    memory = bytearray((7 * n + (n >> 8)) & 0x7F for n in range(SIZE))
    for place, word in words.items():
        struct.pack_into(">I", memory, int(place.removeprefix("at_"), 16), word)
    return bytes(memory)


def test_a_pointer_through_either_segment_leads_to_the_same_bytes(tmp_path: Path) -> None:
    """Source: the manual.  The address reported is the one that the pointer says."""
    memory = memory_with(
        at_10=KSEG0 + 0x400, at_14=KSEG1 + 0x400, at_408=KSEG1 + 0x500, at_508=KSEG0 + 0x600
    )
    fields = ("depth", "bell", "sounds[2]", "mark", "name", "next.bell", "next.next.mark")
    paths = [f"{pointer}.{field}" for pointer in ("cached", "uncached") for field in fields]
    found = read(tmp_path, memory, *paths, "low(cached.depth)", "low(uncached.depth)")
    offsets = {"depth": 0x0, "bell": 0x4, "sounds[2]": 0xE, "mark": 0x10, "name": 0x14}
    for field in fields:
        one, other = found[f"cached.{field}"], found[f"uncached.{field}"]
        assert one.status is Status.OK
        assert one.value == other.value
        if field in offsets:
            assert one.address == KSEG0 + 0x400 + offsets[field]
            assert other.address == KSEG1 + 0x400 + offsets[field]
    # both went through the same second pointer, so both addresses are of its segment
    assert found["cached.next.bell"].address == KSEG1 + 0x504
    assert found["uncached.next.bell"].address == KSEG1 + 0x504
    assert found["uncached.next.next.mark"].address == KSEG0 + 0x610
    raw = physical(memory, KSEG1 + 0x500 + 4, 2)
    assert raw is not None
    assert found["uncached.next.bell"].value == int.from_bytes(raw, "big")
    assert found["low(uncached.depth)"].address == KSEG1 + 0x402
    assert found["low(uncached.depth)"].value == found["low(cached.depth)"].value


def test_a_symbol_may_be_placed_in_either_segment(tmp_path: Path) -> None:
    """Source: the manual."""
    found = read(tmp_path, memory_with(at_200=0x1234_5678), "number", "same", "address(same)")
    assert found["number"].value == found["same"].value == 0x1234_5678
    assert found["number"].address == KSEG0 + 0x200
    assert found["same"].address == found["address(same)"].value == KSEG1 + 0x200


def test_pointers_that_differ_lead_to_one_place_and_are_not_equal(tmp_path: Path) -> None:
    """Source: the manual; a pointer's value is the address that it holds, as in C."""
    memory = memory_with(at_10=KSEG0 + 0x400, at_14=KSEG1 + 0x400)
    expressions = ("cached == uncached", "uncached - cached", "cached.bell == uncached.bell")
    found = read(tmp_path, memory, *expressions)
    assert [found[one].value for one in expressions] == [False, 0x2000_0000, True]


ENDS = [
    # offset from a segment's start, type, whether it fits
    (SIZE - 1, "u8", True),
    (SIZE - 2, "u16", True),
    (SIZE - 4, "f32", True),
    (SIZE - 8, "u64", True),
    (SIZE - 8, "char[8]", True),
    (SIZE, "u8", False),
    (SIZE, "u32", False),
    (SIZE - 7, "char[8]", False),
    (SIZE - 1, "char[8]", False),
    (SIZE - 4, "u64", False),
    (-1, "u8", False),
    (-4, "u32", False),
    (-4, "u64", False),
]


@pytest.mark.parametrize("start", [KSEG0, KSEG1])
@pytest.mark.parametrize(("offset", "kind", "fits"), ENDS)
def test_the_last_byte_is_in_and_the_next_is_not(
    start: int, offset: int, kind: str, fits: bool, tmp_path: Path
) -> None:
    """Source: the rule in ``physical``, for the RAM's own size.

    The address is known at load, comes from a pointer, or is that of a field of a pointer's.
    """
    address = start + offset
    memory = memory_with(at_10=address & 0xFFFF_FFFF, at_14=(address - 0x14) & 0xFFFF_FFFF)
    literal, computed = f'at({address:#x}, "{kind}")', f'at(cached, "{kind}")'
    found = read(tmp_path, memory, literal, computed)
    for expression in (literal, computed):
        one = found[expression]
        if fits:
            raw = physical(memory, address, {"u8": 1, "u16": 2, "f32": 4}.get(kind, 8))
            assert raw is not None
            assert one.status is Status.OK, one.reason
            assert one.address == address
            assert one.value == decoded(kind, raw)
        else:
            assert one.status is Status.UNMAPPED
            assert f"0x{address:08X}" in one.reason


def decoded(kind: str, raw: bytes) -> int | float | str:
    if kind == "f32":
        number: float = struct.unpack(">f", raw)[0]
        return number
    if kind == "char[8]":
        return raw.partition(b"\0")[0].decode()
    return int.from_bytes(raw, "big")


@pytest.mark.parametrize("start", [KSEG0, KSEG1])
def test_what_straddles_the_end_says_so_and_what_is_past_it_says_where(
    start: int, tmp_path: Path
) -> None:
    memory = memory_with(at_10=start + SIZE - 8, at_14=start + SIZE)
    paths = ("cached.bell", "cached.next", "cached.name", "uncached.mark")
    found = read(tmp_path, memory, *paths)
    assert found["cached.bell"].status is Status.OK
    assert found["cached.bell"].address == start + SIZE - 4
    past = start + SIZE
    reasons = {path: (found[path].status, found[path].reason) for path in paths[1:]}
    assert reasons == {
        "cached.next": (Status.UNMAPPED, f"cached.next: 0x{past:08X} is outside ram"),
        "cached.name": (Status.UNMAPPED, f"cached.name: 0x{past + 0xC:08X} is outside ram"),
        "uncached.mark": (Status.UNMAPPED, f"uncached.mark: 0x{past + 0x10:08X} is outside ram"),
    }
    memory = memory_with(at_10=start + SIZE - 0x18)
    found = read(tmp_path, memory, "cached.name", "cached.mark")
    assert found["cached.mark"].status is Status.OK
    assert found["cached.name"].reason == (
        f"cached.name: 0x{start + SIZE - 4:08X} and its size reach past the end of ram"
    )


@pytest.mark.parametrize("start", [KSEG0, KSEG1])
def test_a_pointer_in_the_last_bytes_is_followed(start: int, tmp_path: Path) -> None:
    """Source: the manual.  The pointer itself is read through the segment it is reached by."""
    memory = memory_with(at_ffc=KSEG1 + 0x300, at_10=start + SIZE - 0xC)
    last = f'at({start + SIZE - 4:#x}, "Buoy*")'
    found = read(tmp_path, memory, last, f"{last}.bell", "cached.next.bell", "cached.next")
    raw = physical(memory, KSEG1 + 0x304, 2)
    assert raw is not None
    assert found[last].value == found["cached.next"].value == KSEG1 + 0x300
    assert found[last].address == found["cached.next"].address == start + SIZE - 4
    for path in (f"{last}.bell", "cached.next.bell"):
        assert found[path].value == int.from_bytes(raw, "big")
        assert found[path].address == KSEG1 + 0x304


@pytest.mark.parametrize(
    "address",
    [
        *(0x0000_0400, 0x7FFF_FFFC, 0x8000_1000, 0x9FFF_FFFC, 0xA000_1000, 0xBFFF_FFFC),
        *(0xC000_0400, 0xE000_0400, 0xFFFF_FFFC),
    ],
)
def test_other_segments_and_what_is_past_the_ram_are_unmapped(address: int, tmp_path: Path) -> None:
    """Source: the manual: KUSEG, KSEG2 and KSEG3 are mapped, which no schema of ours knows."""
    memory = memory_with(at_10=address)
    assert physical(memory, address, 4) is None
    found = read(tmp_path, memory, "cached.depth")["cached.depth"]
    assert (found.status, found.value) == (Status.UNMAPPED, None)
    assert found.reason == f"cached.depth: 0x{address:08X} is outside ram"


@pytest.mark.parametrize("start", [KSEG0, KSEG1])
def test_a_list_through_both_segments_is_walked_and_ends(start: int, tmp_path: Path) -> None:
    """A repeat through the other segment is another address: the walk ends a lap later."""
    memory = memory_with(
        at_10=start + 0x400, at_408=KSEG1 + 0x500, at_508=KSEG0 + 0x600, at_608=KSEG1 + 0x400
    )
    found = read(tmp_path, memory, 'len(chain(cached, "next"))')
    assert found['len(chain(cached, "next"))'].value == (3 if start == KSEG1 else 4)
    memory = memory_with(at_10=start + 0x400, at_408=KSEG1 + 0x500, at_508=KSEG0 + 0x600, at_608=0)
    marks = 'sum([buoy.mark for buoy in chain(cached, "next")])'
    wanted = sum(memory[place + 0x10] for place in (0x400, 0x500, 0x600))
    assert read(tmp_path, memory, marks)[marks].value == wanted


# -- on a MIPS processor


@pytest.fixture(scope="module")
def held(
    tmp_path_factory: pytest.TempPathFactory, elf: Path
) -> Iterator[tuple[GuestMachine, Path]]:
    directory = tmp_path_factory.mktemp("mirrors")
    with GuestMachine(elf, directory) as machine:
        machine.hold("carry", 100)
        machine.stop()
        bridge = directory / "live.bridge.toml"
        source = f'kind = "shared"\npath = {json.dumps(str(machine.ram_path))}'
        bridge.write_text(f"schema = {json.dumps(str(SCHEMA_PATH))}\n[source]\n{source}\n", "utf-8")
        yield machine, bridge


def emulated_word(machine: GuestMachine, address: int) -> int | None:
    """The word that QEMU's processor sees at a virtual address; None where it sees none."""
    said = machine.monitor(f"x /1xw {address:#x}")
    match = re.search(r"^[0-9a-f]+: 0x([0-9a-f]{8})\s*$", said, re.MULTILINE)
    return int(match[1], 16) if match else None


def command_line(bridge: Path, *expressions: str) -> tuple[int, dict[str, dict[str, Any]]]:
    watches = [word for expression in expressions for word in ("--watch", expression)]
    with redirect_stdout(StringIO()) as printed:
        code = main(["read", str(bridge), "--json", *watches])
    return code, {each["watch"]: each for each in json.loads(printed.getvalue())["readings"]}


@pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm")
@pytest.mark.needs("qemu-system-mips", "qemu-system-mips")
def test_an_emulated_processor_sees_the_same_words(held: tuple[GuestMachine, Path]) -> None:
    """Source: QEMU's MIPS processor, asked for words of both segments."""
    machine, bridge = held
    symbols = ("frame_ended", "courier", "heap_head", "ledger", "mailbox")
    places = [machine.symbols[name] for name in symbols] + [0x8000_0400, 0x803F_FFFC]
    for place in places:
        mirror = place - KSEG0 + KSEG1
        expressions = [f'at({address:#x}, "u32")' for address in (place, mirror)]
        code, found = command_line(bridge, *expressions)
        assert code == 0
        wanted = emulated_word(machine, place)
        assert wanted is not None
        assert emulated_word(machine, mirror) == wanted
        for expression, address in zip(expressions, (place, mirror), strict=True):
            assert found[expression]["value"] == wanted
            assert found[expression]["address"] == address


@pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm")
@pytest.mark.needs("qemu-system-mips", "qemu-system-mips")
@pytest.mark.parametrize("address", [0x0000_0400, 0xC000_0400, 0xE000_0400])
def test_where_an_emulated_processor_sees_nothing_there_is_no_value(
    held: tuple[GuestMachine, Path], address: int
) -> None:
    """Source: QEMU's MIPS processor: the mapped segments, of which this guest maps no page."""
    machine, bridge = held
    assert emulated_word(machine, address) is None
    expression = f'at({address:#x}, "u32")'
    code, found = command_line(bridge, expression)
    assert code == 1
    assert (found[expression]["status"], found[expression]["value"]) == ("unmapped", None)
