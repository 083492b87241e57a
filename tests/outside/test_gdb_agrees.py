"""Values and addresses against gdb's, of the same halted guest.

Source of every expected value: gdb-multiarch with the guest's own DWARF, over the emulator's
debugger stub.  While gdb keeps the guest halted, lowhalf reads the RAM file through the `shared`
source, and a dump taken in the same halt through the `file` source.  Floats are compared by bit
pattern; gdb's ``output/x`` of a float is that pattern.
"""

from __future__ import annotations

import json
import re
import struct
import subprocess
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import redirect_stdout
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import Any

import pytest

from adapters.commands.main import main
from bridge.expressions.compiling import check
from bridge.expressions.leaf_types import value_type
from bridge.expressions.nodes import Read
from bridge.values.value_type import Kind
from schemas.compiler import BuildLayout, load_schema
from schemas.layout import BitField, Chars, Enumeration, FixedPoint, Leaf, Scalar
from schemas.resolve import leaves
from tests.guest.machine import GuestMachine

pytestmark = [
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm"),
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
    pytest.mark.needs("gdb-multiarch", "gdb-multiarch"),
]

SCHEMA_PATH = Path(__file__).parents[2] / "schemas" / "games" / "tidewright.schema.toml"

MOMENTS = {
    "first-print": ("carry", 150),
    "second-print": ("walk", 220),
    "export": ("stale hold", 190),
}
"""Build → the script and its frame at which the game is held: a lantern in hand; mist about; a
hand that holds what was released and reused."""

GENERATED_SYMBOLS = ("courier", "ledger", "mailbox", "pulse", "rooms", "script", "room_table")
"""Every leaf of these is compared: a path without a pointer is written alike in C."""

EVERYWHERE = {
    # lowhalf's path, with every pointer in it followed → C's
    "current_room.name": "current_room->name",
    "current_room.weather": "current_room->weather",
    "current_room.tiles[2][3]": "current_room->tiles[2][3]",
    "current_room.doors[1].x": "current_room->doors[1].x",
    "current_room.neighbours[1].tiles[3][5]": "current_room->neighbours[1]->tiles[3][5]",
    "current_room.neighbours[0].neighbours[0].name": (
        "current_room->neighbours[0]->neighbours[0]->name"
    ),
    "room_table[2].name": "room_table[2]->name",
    "room_table[3].neighbours[1].weather": "room_table[3]->neighbours[1]->weather",
    "current_slot[0].name": "(*current_slot)->name",
    "current_slot[0].doors[0].z": "(*current_slot)->doors[0].z",
    "heap_head.magic": "heap_head->magic",
    "heap_head.next.size": "heap_head->next->size",
    "heap_head.next.next.previous": "heap_head->next->next->previous",
    "ledger.last_door.x": "ledger.last_door->x",
    "ledger.last_door[1].x": "ledger.last_door[1].x",
    "actor_head.name": "actor_head->name",
    "actor_head.kind": "actor_head->kind",
    "actor_head.satchel[6].weight": "actor_head->satchel[6].weight",
    "actor_head.satchel[7].postage": "actor_head->satchel[7].postage",
    "actor_head.satchel[5].freshness": "actor_head->satchel[5].freshness",
    "actor_head.token_low": "actor_head->token_low",
    "actor_head.sway[1][2]": "actor_head->sway[1][2]",
    "actor_head.drift": "actor_head->drift",
    "actor_head.age_ticks": "actor_head->age_ticks",
    "courier.watchers[0].position.y": "courier.watchers[0]->position.y",
    "courier.watchers[0].trim[3]": "courier.watchers[0]->trim[3]",
}
CARRYING = {
    "courier.held.name": "courier.held->name",
    "courier.held.position.x": "courier.held->position.x",
    "courier.held.position.z": "courier.held->position.z",
    "courier.held.facing": "courier.held->facing",
    "courier.held.tilt[3]": "courier.held->tilt[3]",
    "courier.held.holder": "courier.held->holder",
    "courier.held.flags": "courier.held->flags",
}
AT_THE_MOMENT = {
    "first-print": {
        **CARRYING,
        "courier.held.holder[0].name": "(*courier.held->holder)->name",
        "courier.held.holder[0].home.y": "(*courier.held->holder)->home.y",
        "courier.watchers[3].lean": "courier.watchers[3]->lean",
        "actor_head.next.next.next.mood": "actor_head->next->next->next->mood",
        "actor_head.tide": "actor_head->tide",
        'at(courier.held, "Lantern").fuel': "((Lantern *)courier.held)->fuel",
        'at(courier.held, "Lantern").flicker': "((Lantern *)courier.held)->flicker",
        'at(courier.held, "Lantern").beam.z': "((Lantern *)courier.held)->beam.z",
        'at(actor_head, "Buoy").depth': "((Buoy *)actor_head)->depth",
        'at(actor_head, "Buoy").sounding[3]': "((Buoy *)actor_head)->sounding[3]",
        'at(actor_head.next, "Gull").chased.name': "((Gull *)actor_head->next)->chased->name",
        'at(actor_head.next, "Gull").bank': "((Gull *)actor_head->next)->bank",
    },
    "second-print": {
        "mist_head.position.x": "mist_head->position.x",
        'at(mist_head, "MistPuff").density[2][3]': "((MistPuff *)mist_head)->density[2][3]",
        'at(mist_head, "MistPuff").wisps[5].z': "((MistPuff *)mist_head)->wisps[5].z",
        'at(mist_head, "MistPuff").seed': "((MistPuff *)mist_head)->seed",
        "mist_head.next.next.id": "mist_head->next->next->id",
    },
    "export": {
        **CARRYING,
        "courier.held.lean": "courier.held->lean",
        "courier.held.longitude": "courier.held->longitude",
        'at(courier.held, "Gull").goal.x': "((Gull *)courier.held)->goal.x",
        'at(courier.held, "Gull").flap': "((Gull *)courier.held)->flap",
        'at(courier.held, "Gull").chased.id': "((Gull *)courier.held)->chased->id",
        'at(courier.held.next, "Crate").mass': "((Crate *)courier.held->next)->mass",
        'at(courier.held.next, "Crate").contents[1].grade': (
            "((Crate *)courier.held->next)->contents[1].grade"
        ),
    },
}
TRUTHS = {
    # the header names these in enumerations of no type, so gdb is asked to compare
    "courier.flags.visible": "(courier.flags & FLAG_VISIBLE) != 0",
    "courier.flags.carried": "(courier.flags & FLAG_CARRIED) != 0",
    "actor_head.flags.airborne": "(actor_head->flags & FLAG_AIRBORNE) != 0",
    "actor_head.flags.harmless": "(actor_head->flags & FLAG_HARMLESS) != 0",
    "courier.kind == ActorKind.courier": "courier.kind == KIND_COURIER",
    "actor_head.kind == ActorKind.buoy": "actor_head->kind == KIND_BUOY",
    "actor_head.kind == ActorKind.lantern": "actor_head->kind == KIND_LANTERN",
    "actor_head.kind == ActorKind.gull": "actor_head->kind == KIND_GULL",
    "courier.mood == Mood.laden": "courier.mood == MOOD_LADEN",
}


@dataclass(frozen=True)
class Said:
    """What gdb said of an expression: as C prints it, in hexadecimal, and its address."""

    plain: str
    hexadecimal: str
    address: str


class Gdb:
    """gdb on a halted guest: halted from here on until ``close``."""

    def __init__(self, elf: Path, port: int) -> None:
        self._process = subprocess.Popen(
            ["gdb-multiarch", "-nx", "-q", str(elf)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        self._deadline = threading.Timer(60, self._process.kill)
        self._deadline.start()
        settings = ("prompt", "confirm off", "pagination off", "width 0", "print elements 0")
        for setting in (*settings, "print repeats 0", "print symbol off", "print null-stop off"):
            self._say(f"set {setting}")
        self._say(f"target remote 127.0.0.1:{port}")

    def ask(self, expressions: Sequence[str]) -> dict[str, Said]:
        """Each expression's value; in C, in hexadecimal, and its address."""
        for expression in expressions:
            for command in ("output", "output/x", "output/x &"):
                self._say(f"echo \\n@@\\n\n{command} {expression}".replace("& ", "&"))
        self._say("echo \\n@@end@@\\n")
        said = "".join(iter(self._line, "@@end@@\n"))
        parts = [part.strip() for part in said.split("\n@@\n")[1:]]
        assert len(parts) == 3 * len(expressions), said
        return {
            expression: Said(*parts[3 * number : 3 * number + 3])
            for number, expression in enumerate(expressions)
        }

    def close(self) -> None:
        """Lets the guest run on and ends gdb."""
        self._say("detach\nquit")
        self._process.communicate()
        self._deadline.cancel()

    def _say(self, line: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(line + "\n")
        self._process.stdin.flush()

    def _line(self) -> str:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        assert line, "gdb ended"
        return line


@dataclass(frozen=True)
class Halt:
    """One halted moment as gdb and lowhalf saw it; keyed by lowhalf's expression."""

    build: str
    leaf_of: Mapping[str, Leaf]
    said: Mapping[str, Said]
    truths: Mapping[str, Said]
    shared: Mapping[str, dict[str, Any]]
    dumped: Mapping[str, dict[str, Any]]


def paths_of(build: str) -> tuple[dict[str, str], dict[str, Leaf]]:
    """lowhalf's paths to C's, and to what the schema says lies there."""
    layout = load_schema(SCHEMA_PATH).builds[build]
    found: dict[str, str] = {}
    for symbol in GENERATED_SYMBOLS:
        for path, _, _ in leaves(layout.symbols[symbol].type, symbol):
            found[path] = path
    found |= EVERYWHERE | AT_THE_MOMENT[build]
    types = {}
    for path in found:
        types[path] = _leaf(layout, path)
    return found, types


def _leaf(layout: BuildLayout, path: str) -> Leaf:
    program = check(layout, {"one": path})
    number = program.slots[program.watches["one"]].number
    assert isinstance(number, Read)
    return number.leaf


def lowhalf_read(
    bridge: Path, expressions: Sequence[str], *options: str
) -> dict[str, dict[str, Any]]:
    """``lowhalf read BRIDGE --watch … --json``: expression → its reading."""
    watches = [word for expression in expressions for word in ("--watch", expression)]
    with redirect_stdout(StringIO()) as printed:
        code = main(["read", str(bridge), *options, "--json", *watches])
    frame = json.loads(printed.getvalue())
    readings = {reading["watch"]: reading for reading in frame["readings"]}
    assert code == 0, [each for each in readings.values() if each["status"] != "ok"]
    assert list(readings) == list(expressions)
    return readings


@pytest.fixture(scope="module", params=list(MOMENTS))
def halt(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, elves: dict[str, Path]
) -> Iterator[Halt]:
    build = str(request.param)
    directory = tmp_path_factory.mktemp("gdb")
    paths, types = paths_of(build)
    with GuestMachine(elves[build], directory) as machine:
        machine.hold(*MOMENTS[build])
        bridge = directory / "live.bridge.toml"
        source = f'kind = "shared"\npath = {json.dumps(str(machine.ram_path))}'
        bridge.write_text(f"schema = {json.dumps(str(SCHEMA_PATH))}\n[source]\n{source}\n", "utf-8")
        gdb = Gdb(elves[build], machine.gdb_port)
        try:
            said = gdb.ask([*paths.values(), *TRUTHS.values()])
            assert "paused" in machine.monitor("info status")
            everything = [*paths, *TRUTHS, *(f"bits({path})" for path in _floating(types))]
            shared = lowhalf_read(bridge, everything)
            dump = directory / "halted.bin"
            machine.dump(dump)
            dumped = lowhalf_read(bridge, everything, "--dump", str(dump))
        finally:
            gdb.close()
        yield Halt(
            build,
            types,
            {path: said[in_c] for path, in_c in paths.items()},
            {truth: said[in_c] for truth, in_c in TRUTHS.items()},
            shared,
            dumped,
        )


def _floating(types: Mapping[str, Leaf]) -> list[str]:
    return [path for path, leaf in types.items() if isinstance(leaf, Scalar) and leaf.floating]


def whole_number(said: Said) -> int:
    """An integer that C prints as ``150 '\\226'``, ``-2`` or ``(Actor *) 0x80240010``."""
    pointer = re.search(r"(?:^|\) )0x([0-9a-f]+)$", said.plain)
    if pointer:
        return int(pointer[1], 16)
    match = re.match(r"-?\d+(?= '|$)", said.plain)
    assert match is not None, said
    return int(match[0])


def agrees(leaf: Leaf, reading: Mapping[str, Any], said: Said) -> bool:
    value = reading["value"]
    if isinstance(leaf, Scalar) and leaf.floating:
        packed = struct.pack(">f" if leaf.size == 4 else ">d", value)
        return int.from_bytes(packed, "big") == int(said.hexadecimal, 16)
    if isinstance(leaf, Chars):
        stored = bytes(int(part, 16) for part in said.hexadecimal.strip("{}").split(", "))
        assert len(stored) == leaf.size
        return bool(value == stored.partition(b"\0")[0].decode())
    if isinstance(leaf, FixedPoint):
        return bool(value * 2**leaf.fraction_bits == whole_number(said))
    if isinstance(leaf, Enumeration) and not said.plain.isdigit():
        # C's member is MOOD_LADEN or COMMAND_STALE_HOLD where the schema's is laden or stale_hold
        return bool(said.plain.partition("_")[2].lower() == reading["text"])
    return bool(value == whole_number(said))


def test_the_values_are_gdbs(halt: Halt) -> None:
    """Source: gdb.  Through the live RAM file, and through a dump of the same halt."""
    assert len(halt.said) >= 380
    for seen in (halt.shared, halt.dumped):
        wrong = {
            path: (seen[path]["value"], seen[path]["text"], said)
            for path, said in halt.said.items()
            if not agrees(halt.leaf_of[path], seen[path], said)
        }
        assert not wrong


def test_the_addresses_are_gdbs(halt: Halt) -> None:
    """Source: gdb's ``&``, which of a bit-field gives the word that it is a part of."""
    parts_of_words = 0
    for path, said in halt.said.items():
        wanted = int(said.address, 16)
        parts_of_words += isinstance(halt.leaf_of[path], BitField)
        assert halt.shared[path]["address"] == wanted, path
        assert halt.dumped[path]["address"] == wanted, path
    assert parts_of_words >= 30


def test_the_bits_of_floats_are_gdbs(halt: Halt) -> None:
    """Source: gdb's ``output/x`` of a float, which is its bit pattern."""
    floating = _floating(halt.leaf_of)
    assert len(floating) >= 30
    for path in floating:
        found = halt.shared[f"bits({path})"]["value"]
        assert found == int(halt.said[path].hexadecimal, 16), path
    assert any(halt.shared[f"bits({path})"]["value"] >> 31 == 1 for path in floating)


def test_flags_and_enumerations_without_a_type_are_gdbs(halt: Halt) -> None:
    """Source: gdb, which compares with the header's own enumerators."""
    for truth, said in halt.truths.items():
        assert halt.shared[truth]["value"] is (said.plain == "1"), truth
    assert {said.plain for said in halt.truths.values()} == {"0", "1"}


def test_every_kind_of_value_is_among_them(halt: Halt) -> None:
    """Nothing passes because it was not asked: signs, widths and names were all there."""
    names = {leaf.type_name for leaf in halt.leaf_of.values()}
    assert names >= {
        *("u8", "s8", "u16", "s16", "u32", "u64", "s64", "s32", "f32", "f64", "angle16"),
        *("q16.16", "q8.8", "char[12]", "Actor*", "Actor**", "Room*", "Weather", "Mood", "Tide"),
    }
    negative = [
        leaf
        for path, leaf in halt.leaf_of.items()
        if value_type(leaf).kind is Kind.INTEGER and halt.shared[path]["value"] < 0
    ]
    assert any(isinstance(leaf, BitField) for leaf in negative) or halt.build == "export"
    assert {leaf.type_name for leaf in negative} >= {"s8", "s16", "s64"}
