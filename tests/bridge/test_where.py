"""The way back from an address to a path, against the way there."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.expressions.compiling import check
from bridge.memory.address_map import MemoryMap
from bridge.paths.address_names import (
    MAX_POINTERS,
    Spot,
    pointers,
    spot_in,
    symbol_spot,
    symbol_spots,
)
from bridge.prepared import memory_map
from schemas.compiler import BuildLayout, Schema, load_schema
from schemas.layout import Leaf, OffsetStruct, size_of
from schemas.resolve import leaves, resolve
from tests.bridge import made_guest

GAME = Path(__file__).parents[2] / "schemas" / "games" / "tidewright.schema.toml"


@pytest.fixture(scope="module")
def game() -> Schema:
    return load_schema(GAME)


def spot_at(layout: BuildLayout, memory: MemoryMap, address: int) -> Spot:
    spot = symbol_spot(layout, memory, address)
    assert spot is not None
    return spot


@pytest.mark.parametrize("build", ["first-print", "second-print", "export"])
def test_every_byte_of_every_symbol_has_a_path_that_leads_to_it(game: Schema, build: str) -> None:
    layout, memory = game.builds[build], memory_map(game)
    seen = 0
    for symbol in layout.symbols.values():
        if symbol.name == "foam":
            continue
        named = leaves(symbol.type)
        for offset in range(size_of(symbol.type)):
            spot = spot_at(layout, memory, symbol.address + offset)
            name, suffix = spot.path[: len(symbol.name)], spot.path[len(symbol.name) :]
            assert name == symbol.name
            there, node = resolve(symbol.type, suffix)
            assert node is spot.node
            assert spot.start == symbol.address + there
            assert spot.start + spot.offset == symbol.address + offset
            covering = [size_of(leaf) for _, at, leaf in named if at <= offset < at + size_of(leaf)]
            # no smaller field lies there, bit-fields apart, which need not reach every byte
            if spot.named:
                assert spot.node.size == min(covering) if isinstance(spot.node, Leaf) else False
            seen += spot.named
    assert seen > 900


def test_a_mirror_finds_the_same(game: Schema) -> None:
    layout, memory = game.builds["first-print"], memory_map(game)
    address = layout.symbols["courier"].address + 0x2E
    spot = spot_at(layout, memory, address)
    assert spot_at(layout, memory, address + 0x2000_0000) == spot
    assert (spot.path, spot.half, spot.type) == ("courier.position.x", "low", "f32")
    assert spot.words() == "low half of courier.position.x"


@pytest.mark.parametrize(
    ("offset", "path", "half", "words"),
    [
        (0x2C, "courier.position.x", "high", "high half of courier.position.x"),
        (0x2D, "courier.position.x", "high", "inside the high half of courier.position.x"),
        (0xB6, "courier.facing", None, "courier.facing"),
        (0xB7, "courier.facing", None, "byte at + 1 of courier.facing"),
        (0x48, "courier.age_ticks", "high", "high half of courier.age_ticks"),
        (0x4C, "courier.age_ticks", "low", "low half of courier.age_ticks"),
        (0x60, "courier.token_bytes[0]", None, "courier.token_bytes[0]"),
        (0x80, "courier.sway[1][1]", "high", "high half of courier.sway[1][1]"),
        (0x18, "courier.hue", None, "courier.hue"),
        (0x19, "courier.glow", None, "courier.glow"),
        (0x1A, "courier.lean", None, "courier.lean"),
        (0x1B, "courier.pattern", None, "courier.pattern"),
        (0x9, "courier.name", None, "byte at + 1 of courier.name"),
    ],
)
def test_worked_places_in_an_actor(
    game: Schema, offset: int, path: str, half: str | None, words: str
) -> None:
    layout, memory = game.builds["first-print"], memory_map(game)
    spot = spot_at(layout, memory, layout.symbols["courier"].address + offset)
    assert (spot.path, spot.half, spot.words()) == (path, half, words)


def test_a_gap_is_told_as_one() -> None:
    guest = made_guest.tidewright()
    spot = spot_at(guest.layout, guest.memory, made_guest.COURIER + 0x7A)
    assert not spot.named
    assert (spot.half, spot.type) == (None, "Actor")
    assert spot.words() == "courier + 0x7A, between the fields of Actor"
    assert symbol_spot(guest.layout, guest.memory, 0x8000_9000) is None
    assert symbol_spot(guest.layout, guest.memory, 0x24) is None


def test_halves_go_by_significance_in_either_byte_order() -> None:
    little = made_guest.Guest(made_guest.SCHEMA.replace('endian = "big"', 'endian = "little"'))
    big = made_guest.Guest()
    halves = {
        guest.layout.order: [
            spot_at(guest.layout, guest.memory, made_guest.COURIER + 0x10 + n).half
            for n in range(4)
        ]
        for guest in (big, little)
    }
    assert halves == {
        ">": ["high", "high", "low", "low"],
        "<": ["low", "low", "high", "high"],
    }


def test_pointers_of_watches_come_first_and_then_those_of_symbols_by_depth(game: Schema) -> None:
    layout = game.builds["first-print"]
    text = (
        "low(room_table[2].neighbours[1].doors[0].x)"
        " + len([a.held.room for a in chain(actor_head, 'next')])"
    )
    program = check(layout, {"one": text})
    found = pointers(layout, program)
    paths = [pointer.path for pointer in found]
    assert paths[:2] == ["room_table[2].neighbours[1]", "room_table[2]"]
    assert paths[2:5] == ["courier.held", "courier.next", "courier.previous"]
    assert paths.index("courier.held.held") > paths.index("heap_head")
    assert "courier.holder[0]" in paths
    assert "ledger.last_door" in paths
    assert len(set(paths)) == len(paths) <= MAX_POINTERS
    # each path is an expression that means the same
    for pointer in found[:60]:
        node = pointer.target
        if isinstance(node, OffsetStruct):
            member = next(iter(node.members))
            check(layout, {"way": f"address({pointer.path}.{member})"})


def test_what_a_pointer_leads_to_is_found_through_a_mirror(game: Schema) -> None:
    layout, memory = game.builds["first-print"], memory_map(game)
    actor = layout.type("Actor")
    spot = spot_in("courier.held", actor, 0xA020_03D0, memory, 0x8020_03FE, layout)
    assert spot is not None
    assert (spot.path, spot.start, spot.half) == ("courier.held.position.x", 0x8020_03FC, "low")
    assert spot_in("courier.held", actor, 0x8020_03D0, memory, 0x8020_0570, layout) is None


def test_every_bit_field_and_every_member_of_a_union_at_a_byte_is_named(game: Schema) -> None:
    """By the bits that gcc gives ``Actor`` and ``Parcel`` (``tests/guest/tidewright.h``)."""
    layout, memory = game.builds["first-print"], memory_map(game)
    courier = layout.symbols["courier"].address

    def names(offset: int) -> list[str]:
        spots = symbol_spots(layout, memory, courier + offset)
        assert spots[0] == symbol_spot(layout, memory, courier + offset)
        return [spot.path.removeprefix("courier.") for spot in spots]

    assert names(0x018) == ["hue", "shade"]
    assert names(0x019) == ["glow"]
    assert names(0x01A) == ["lean", "pattern"]
    assert names(0x01B) == ["pattern", "worn"]
    assert names(0x0BC + 0xA) == [f"satchel[0].{name}" for name in ("fragile", "wet", "postage")]
    assert names(0x060) == ["token_bytes[0]", "token_high", "token"]
    assert names(0x063) == ["token_bytes[3]", "token_low", "token"]


def test_symbols_at_the_same_place_are_all_named_and_a_gap_only_alone() -> None:
    text = made_guest.SCHEMA.replace('step    = "s32"', 'step    = "s32"\nsame    = "u8[4]"')
    text = text.replace(
        "at.step    = 0x8000_0130", "at.step    = 0x8000_0130\nat.same = 0x8000_0130"
    )
    guest = made_guest.Guest(text)
    spots = symbol_spots(guest.layout, guest.memory, 0x8000_0131)
    assert [spot.path for spot in spots] == ["same[1]", "step"]
    gap = symbol_spots(guest.layout, guest.memory, made_guest.COURIER + 0x2C)
    assert [(spot.path, spot.named, spot.offset) for spot in gap] == [("courier", False, 0x2C)]
    assert symbol_spots(guest.layout, guest.memory, 0x8000_9000) == []
