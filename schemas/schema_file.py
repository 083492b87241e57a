"""The schema file as pydantic models: what is known of a game (``NAME.schema.toml``)."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from schemas.action_table import MAX_ACTIONS, ActionTable
from schemas.allocator_table import AllocatorTable
from schemas.heap_table import HeapTable, NamedHeapTable
from schemas.sizes import ByteCount
from schemas.table import Table
from schemas.turn_table import AngleNumber, Moves, MoveTable, Name
from schemas.walk_table import WalksTable

__all__ = [
    "MAX_STATES",
    "Address",
    "AngleNumber",
    "BuildTable",
    "EnumTable",
    "FieldTable",
    "FlagsTable",
    "Game",
    "HexBytes",
    "IntegerBase",
    "Memory",
    "MoveTable",
    "Moves",
    "MovesFile",
    "Name",
    "Recognise",
    "RegionTable",
    "SchemaFile",
    "StructTable",
]

MAX_STATES = 64
_MAX_HEAPS = 32


def _hexadecimal(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    try:
        return bytes.fromhex(value)
    except ValueError:
        raise ValueError(f'expected bytes such as "54 49 44 45", found "{value}"') from None


Address = Annotated[int, Field(ge=0, lt=1 << 64)]
HexBytes = Annotated[
    bytes, BeforeValidator(_hexadecimal, json_schema_input_type=str), Field(min_length=1)
]
IntegerBase = Literal["u8", "s8", "u16", "s16", "u32", "s32", "u64", "s64"]


class Game(Table):
    """Which game this is."""

    name: str = Field(min_length=1, description="the game's name")


class RegionTable(Table):
    """A range of guest memory."""

    name: Name = Field(description="what messages call it")
    start: Address = Field(description="its canonical guest address")
    size: ByteCount = Field(
        gt=0, le=1 << 32, description='bytes, or a text such as "4 MiB", at most 4 GiB'
    )
    mirrors: tuple[Address, ...] = Field(
        (), strict=False, description="other guest addresses at which it is seen again"
    )


class Memory(Table):
    """How the guest keeps its memory."""

    endian: Literal["big", "little"] = Field(description="the guest's own byte order")
    pointer_size: Literal[2, 4, 8] = Field(4, description="bytes of a pointer")
    unaligned_loads: bool = Field(
        False, description="true where the guest's processor loads from any address"
    )
    regions: tuple[RegionTable, ...] = Field(
        min_length=1, strict=False, description="every range that can be read"
    )

    @model_validator(mode="after")
    def _regions_apart(self) -> Memory:
        taken: list[tuple[int, int, str]] = []
        names: set[str] = set()
        for region in self.regions:
            if region.name in names:
                raise ValueError(f"two regions are named {region.name}")
            names.add(region.name)
            if region.start % 4:
                raise ValueError(f"region {region.name} must start at a multiple of 4")
            for start in (region.start, *region.mirrors):
                if start + region.size > 1 << 64:
                    raise ValueError(f"region {region.name} does not end inside 64 bits")
                for other_start, other_end, other in taken:
                    if start < other_end and other_start < start + region.size:
                        raise ValueError(f"regions {other} and {region.name} overlap")
                taken.append((start, start + region.size, region.name))
        return self


class EnumTable(Table):
    """Names for an integer's values."""

    base: IntegerBase = Field(description="how it is stored")
    values: dict[Name, int] = Field(min_length=1, description="name = value")


class FlagsTable(Table):
    """Names for an integer's bits."""

    base: Literal["u8", "u16", "u32", "u64"] = Field(description="how it is stored")
    bits: dict[Name, Annotated[int, Field(ge=0, lt=64)]] = Field(
        min_length=1, description="name = bit, 0 the least significant"
    )


class FieldTable(Table):
    """A field of a struct."""

    at: ByteCount = Field(description="its offset in bytes")
    type: str = Field(description="its type, for example u16, Actor*, Vec3, u8[4], char[16]")
    bits: tuple[int, int] | None = Field(
        None, strict=False, description="for a bit-field: its lowest bit and its width"
    )
    builds: dict[str, ByteCount] = Field({}, description="build = its offset in that build")
    doc: str = Field("", description="what it is")


class StructTable(Table):
    """A struct: fields at offsets; they may overlap and leave gaps."""

    size: ByteCount | None = Field(None, description="bytes; else up to the end of its last field")
    builds: dict[str, ByteCount] = Field({}, description="build = its size in that build")
    doc: str = Field("", description="what it is")
    fields: dict[Name, FieldTable] = Field({}, description="name = field")


class Recognise(Table):
    """Bytes that tell a build: one of text, bytes and u32 at an address."""

    at: Address = Field(description="guest address")
    text: str | None = Field(None, min_length=1, description="UTF-8 text that stands there")
    bytes_: HexBytes | None = Field(None, alias="bytes", description="bytes in hexadecimal")
    u32: Annotated[int, Field(ge=0, lt=1 << 32)] | None = Field(
        None, description="a 32-bit word in the guest's order"
    )

    @model_validator(mode="after")
    def _one(self) -> Recognise:
        if [self.text, self.bytes_, self.u32].count(None) != 2:
            raise ValueError("expected exactly one of text, bytes and u32")
        return self


class BuildTable(Table):
    """One released version of the game."""

    title: str = Field("", description="its name for people")
    recognise: tuple[Recognise, ...] = Field(
        (), strict=False, description="what its memory holds and no other build's does"
    )
    at: dict[str, Address] = Field({}, description="symbol = its guest address in this build")


class MovesFile(Table):
    """A file of moves alone, for ``lowhalf solve turn`` and ``lowhalf solve walk``."""

    moves: Moves = Field({}, description="name = move")
    walks: WalksTable | None = Field(None, description="moves that change a position")


class SchemaFile(Table):
    """What is known of a game.  A schema is data: loading one never runs code."""

    game: Game
    memory: Memory
    enums: dict[Name, EnumTable] = Field({}, description="name = enumeration")
    flags: dict[Name, FlagsTable] = Field({}, description="name = set of flags")
    structs: dict[Name, StructTable] = Field({}, description="name = struct")
    symbols: dict[Name, str] = Field({}, description="name = type")
    heap: HeapTable | None = Field(None, description="how the game's allocator keeps its blocks")
    heaps: Annotated[dict[Name, NamedHeapTable], Field(max_length=_MAX_HEAPS)] = Field(
        {}, description="name = a further heap, or one inside of another's block"
    )
    allocator: AllocatorTable | None = Field(
        None, description="how the blocks of the heap are handed out, for planning"
    )
    state: Annotated[dict[Name, str], Field(max_length=MAX_STATES)] = Field(
        {}, description="name = expression, a whole number on which actions depend"
    )
    actions: Annotated[dict[Name, ActionTable], Field(max_length=MAX_ACTIONS)] = Field(
        {}, description="name = what a player can do that allocates or releases blocks"
    )
    moves: Moves = Field({}, description="name = a move that turns, for lowhalf solve turn")
    walks: WalksTable | None = Field(
        None, description="moves that change a position, for lowhalf solve walk"
    )
    builds: dict[str, BuildTable] = Field(min_length=1, description="name = build")
