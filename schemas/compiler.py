"""From a schema file to construct definitions: one layout a build.

Structs that no build changes are compiled once and shared by all builds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from construct import Array

from schemas.action_table import ActionTable
from schemas.allocator_types import AllocatorTypes, allocator_types, check_actions
from schemas.errors import FileError, SchemaError
from schemas.heap_types import HeapTypes, heap_types
from schemas.layout import (
    SCALARS,
    BitField,
    Chars,
    Enumeration,
    FixedPoint,
    FlagSet,
    Member,
    Node,
    OffsetStruct,
    PointerTo,
    Scalar,
    size_of,
)
from schemas.layout_file import SavedLayout
from schemas.regions import misplaced
from schemas.schema_file import FieldTable, MoveTable, SchemaFile, StructTable
from schemas.toml_file import TomlText, nearest
from schemas.toml_lines import Key
from schemas.type_names import TypeName, parse_type
from schemas.walk_checks import check_walks
from schemas.walk_table import WalksTable

if TYPE_CHECKING:  # few bridges follow a plan
    from schemas.plan_file import PlanFile

__all__ = ["BuildLayout", "Evidence", "Schema", "Symbol", "compile_schema", "load_schema"]


@dataclass(frozen=True, slots=True)
class Symbol:
    """A named, typed guest address in one build."""

    name: str
    address: int
    type: Node


@dataclass(frozen=True, slots=True)
class Evidence:
    """Bytes at a guest address that tell a build, and how messages show them."""

    address: int
    data: bytes
    shown: str


class BuildLayout:
    """One build of a game: its types and where its symbols are."""

    def __init__(
        self, name: str, title: str, types: _Types, evidence: tuple[Evidence, ...]
    ) -> None:
        self.name = name
        self.title = title
        self.evidence = evidence
        self.symbols: dict[str, Symbol] = {}
        self._types = types
        self.order = types.order
        self.pointer_size = types.file.memory.pointer_size
        self.unaligned_loads = types.file.memory.unaligned_loads
        self.enumerations: Mapping[str, Enumeration] = types.enumerations
        self.heaps: tuple[HeapTypes, ...] = ()
        self.allocators: dict[str, AllocatorTypes] = {}
        self.state: Mapping[str, str] = types.file.state
        self.actions: Mapping[str, ActionTable] = types.file.actions
        self.saved_layouts: Mapping[str, SavedLayout] = {}
        self.saved_plans: Mapping[str, PlanFile | None] = {}
        self.course_of: Callable[[BuildLayout, PlanFile], Any] | None = None
        """What makes of a plan what is followed; who loads a bridge gives it, with the planner."""
        self.moves: Mapping[str, MoveTable] = types.file.moves
        self.walks: WalksTable | None = types.file.walks
        self.memory = types.file.memory

    @property
    def heap(self) -> HeapTypes | None:
        """``[heap]``, else the first of the named ones; None where the schema describes none."""
        return self.heaps[0] if self.heaps else None

    def heap_named(self, name: str) -> HeapTypes | None:
        """The heap of a name, the empty one for ``[heap]``; None where there is none."""
        return next((heap for heap in self.heaps if heap.name == name), None)

    def type(self, name: TypeName | str) -> Node:
        """The construct of a type's name or text.  Raises ValueError with the reason."""
        return self._types.node(parse_type(name) if isinstance(name, str) else name)

    def error(self, path: tuple[Key, ...], message: str) -> FileError:
        """The error of a key of the schema's file, with its line."""
        return self._types.text.error(path, message)


class Schema:
    """A loaded schema: the model, the file's text and one layout a build."""

    def __init__(
        self, file: SchemaFile, path: Path, text: str, builds: Mapping[str, BuildLayout]
    ) -> None:
        self.file = file
        self.path = path
        self.text = text
        self.builds = dict(builds)


def load_schema(path: Path) -> Schema:
    """Read, check and compile a schema file.  Raises SchemaError."""
    text = TomlText.read(path, SchemaError)
    return compile_schema(text.model(SchemaFile), text)


def compile_schema(file: SchemaFile, text: TomlText) -> Schema:
    """Check and compile a schema's model.  Raises SchemaError, with the line in *text*."""
    _check_names(file, text)
    shared: dict[str, Node] = {}
    builds: dict[str, BuildLayout] = {}
    for name, table in file.builds.items():
        types = _Types(file, text, name, shared)
        order = "big" if types.order == ">" else "little"
        evidence = []
        for index, mark in enumerate(table.recognise):
            if mark.text is not None:
                evidence.append(Evidence(mark.at, mark.text.encode(), f'"{mark.text}"'))
            elif mark.bytes_ is not None:
                evidence.append(Evidence(mark.at, mark.bytes_, mark.bytes_.hex(" ").upper()))
            elif mark.u32 is not None:
                data = mark.u32.to_bytes(4, "big" if order == "big" else "little")
                evidence.append(Evidence(mark.at, data, f"0x{mark.u32:08X}"))
            if fault := misplaced(file.memory, mark.at, len(evidence[-1].data), whole=True):
                key = ("builds", name, "recognise", index, "at")
                raise text.error(key, f"0x{mark.at:08X} {fault}")
        layout = BuildLayout(name, table.title or name, types, tuple(evidence))
        for struct in file.structs:
            types.struct(struct)
        for symbol in table.at:
            if symbol not in file.symbols:
                raise text.error(
                    ("builds", name, "at", symbol), f"unknown symbol{nearest(symbol, file.symbols)}"
                )
        for symbol, type_text in file.symbols.items():
            if symbol not in table.at:
                raise text.error(
                    ("builds", name, "at"), f"build {name} does not place symbol {symbol}"
                )
            node = types.named(("symbols", symbol), type_text)
            address = table.at[symbol]
            if fault := misplaced(file.memory, address, size_of(node)):
                raise text.error(
                    ("builds", name, "at", symbol),
                    f"build {name} places {symbol} at 0x{address:08X}, which {fault}",
                )
            layout.symbols[symbol] = Symbol(symbol, address, node)
        tables = ({} if file.heap is None else {"": file.heap}) | dict(file.heaps)
        layout.heaps = tuple(
            heap_types(heap, file.structs, types.offset_struct, text, heap_name)
            for heap_name, heap in tables.items()
        )
        if file.allocator is not None and file.heap is None:
            raise text.error(("allocator",), "there is no heap that it is of; add [heap]")
        rules = {
            "": file.allocator,
            **{each: table.allocator for each, table in file.heaps.items()},
        }
        for heap in layout.heaps:
            if (rule := rules[heap.name]) is not None:
                layout.allocators[heap.name] = allocator_types(rule, heap, name, file.builds, text)
        builds[name] = layout
    allocators = {name: build.allocators for name, build in builds.items()}
    check_actions(file.actions, file.state, allocators, text)
    if file.walks is not None:
        check_walks(file.walks, text)
    return Schema(file, text.path, text.text, builds)


def _check_names(file: SchemaFile, text: TomlText) -> None:
    taken: dict[str, str] = dict.fromkeys((*SCALARS, "char"), "a built-in type")
    for section, names in (
        ("enums", file.enums),
        ("flags", file.flags),
        ("structs", file.structs),
    ):
        for name in names:
            if name in taken:
                raise text.error((section, name), f"{name} is already {taken[name]}")
            taken[name] = f"named in {section}"
    for name in file.symbols:
        if name in file.enums:
            raise text.error(("symbols", name), f"{name} is already named in enums")
    for name, enum in file.enums.items():
        bits = int(enum.base[1:])
        low = -(1 << bits - 1) if enum.base[0] == "s" else 0
        for member, value in enum.values.items():
            if not low <= value < low + (1 << bits):
                raise text.error(
                    ("enums", name, "values", member), f"{value} does not fit {enum.base}"
                )
    for name, flags in file.flags.items():
        for flag, bit in flags.bits.items():
            if bit >= int(flags.base[1:]):
                raise text.error(("flags", name, "bits", flag), f"{flags.base} has no bit {bit}")


class _Types:
    """The types of one build, compiled when first asked for."""

    def __init__(
        self, file: SchemaFile, text: TomlText, build: str, shared: dict[str, Node]
    ) -> None:
        self.file = file
        self.order = ">" if file.memory.endian == "big" else "<"
        self.text = text
        self._build = build
        self._shared = shared
        self._own: dict[str, Node] = {}
        self._open: list[str] = []
        self._fixed = self._atoms()
        self.enumerations = {n: t for n, t in self._fixed.items() if isinstance(t, Enumeration)}

    def _atoms(self) -> dict[str, Node]:
        atoms: dict[str, Node] = {name: Scalar(name, self.order) for name in SCALARS}
        for name, enum in self.file.enums.items():
            atoms[name] = Enumeration(name, Scalar(enum.base, self.order), enum.values)
        for name, flags in self.file.flags.items():
            atoms[name] = FlagSet(name, Scalar(flags.base, self.order), flags.bits)
        return atoms

    def node(self, name: TypeName) -> Node:
        """The construct of a type.  Raises ValueError with the reason."""
        node: Node
        counts = name.counts
        if name.name == "char":
            node, counts = Chars(counts[-1]), counts[:-1]
        elif name.pointers:
            self._know(name.name)
            target = TypeName(name.name, name.pointers - 1)
            node = PointerTo(target, self.file.memory.pointer_size, self.order)
        elif name.name[0] == "q" and "." in name.name:
            whole_bits, fraction_bits = map(int, name.name[1:].split("."))
            node = FixedPoint(whole_bits, fraction_bits, self.order)
        else:
            self._know(name.name)
            node = self._fixed.get(name.name) or self.struct(name.name)
        for count in reversed(counts):
            node = Array(count, node)
        return node

    def named(self, path: tuple[Key, ...], type_text: str) -> Node:
        """The construct of a type text that stands at *path* of the file.  Raises SchemaError."""
        try:
            return self.node(parse_type(type_text))
        except ValueError as fault:
            raise self.text.error(path, str(fault)) from None

    def struct(self, name: str) -> Node:
        known = self._own.get(name) or self._shared.get(name)
        if known is not None:
            return known
        path: tuple[Key, ...] = ("structs", name)
        if name in self._open:
            chain = " in ".join([*self._open[self._open.index(name) :], name])
            raise self.text.error(path, f"a struct cannot hold itself ({chain}); use a pointer")
        self._open.append(name)
        if len(self._open) > 64:
            raise self.text.error(path, "structs are nested deeper than 64")
        table = self.file.structs[name]
        members = {
            key: Member(
                key, self._offset(path, key, field), self._field(path, key, field), field.doc
            )
            for key, field in table.fields.items()
        }
        size = self._size(path, table, members)
        for member in members.values():
            end = member.offset + size_of(member.type)
            if end > size:
                raise self.text.error(
                    (*path, "fields", member.name),
                    f"ends at 0x{end:X}, past the end of {name}, whose size is 0x{size:X}"
                    f"{self._in_build(table, member.name)}",
                )
        self._open.pop()
        struct = OffsetStruct(name, size, members)
        if self._differs(table):
            self._own[name] = struct
        else:
            self._shared[name] = struct
        return struct

    def offset_struct(self, name: str) -> OffsetStruct:
        found = self.struct(name)
        assert isinstance(found, OffsetStruct)
        return found

    def _differs(self, table: StructTable) -> bool:
        """Whether a struct may be another in another build: by itself or by a struct in it."""
        if table.builds or any(field.builds for field in table.fields.values()):
            return True
        inner = {parse_type(field.type).name for field in table.fields.values()}
        return any(name in self._own for name in inner)

    def _in_build(self, table: StructTable, field: str) -> str:
        return f" in build {self._build}" if table.builds or table.fields[field].builds else ""

    def _offset(self, path: tuple[Key, ...], key: str, field: FieldTable) -> int:
        self._check_builds((*path, "fields", key, "builds"), field.builds)
        return field.builds.get(self._build, field.at)

    def _size(
        self, path: tuple[Key, ...], table: StructTable, members: Mapping[str, Member]
    ) -> int:
        self._check_builds((*path, "builds"), table.builds)
        size = table.builds.get(self._build, table.size)
        if size is not None:
            return size
        if not members:
            raise self.text.error(path, "needs a size or fields")
        return max(member.offset + size_of(member.type) for member in members.values())

    def _check_builds(self, path: tuple[Key, ...], builds: Mapping[str, int]) -> None:
        for build in builds:
            if build not in self.file.builds:
                raise self.text.error(
                    (*path, build), f"unknown build{nearest(build, self.file.builds)}"
                )

    def _field(self, path: tuple[Key, ...], key: str, field: FieldTable) -> Node:
        path = (*path, "fields", key, "type")
        node = self.named(path, field.type)
        if field.bits is None:
            return node
        if not isinstance(node, Enumeration | FlagSet) and not (
            isinstance(node, Scalar) and not node.floating
        ):
            raise self.text.error(path, f"a bit-field needs an integer type, found {field.type}")
        try:
            return BitField(node, *field.bits)
        except ValueError as fault:
            raise self.text.error((*path[:-1], "bits"), str(fault)) from None

    def _know(self, name: str) -> None:
        if "." in name:
            self.node(TypeName(name))
        elif name not in self._fixed and name not in self.file.structs:
            known = [*SCALARS, *self.file.enums, *self.file.flags, *self.file.structs]
            raise ValueError(f"unknown type {name}{nearest(name, known)}")
