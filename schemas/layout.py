"""construct types for a guest's memory.

construct is the one definition of every struct, but four of its own types do not fit memory that
a C compiler laid out: ``Pointer`` counts from the start of the stream, so it is wrong inside an
array; ``AlignedStruct`` pads every member alike; a ``Union`` has no size; and none of them tells
where a member lies.  A guest's struct is simpler than what construct is made for: a fixed count of
bytes with members at fixed offsets, which may overlap (a union) and leave gaps.  ``OffsetStruct``
is that, and with the leaves below it all that a schema can say has a size and parses from bytes
alone.

Every leaf keeps a ``struct.Struct`` and, for a part of a word, a shift and a width, so that a
reader can take one field out of memory without parsing the struct around it.  Arrays are
construct's own.

Parsed values are plain: integers, floats, str, list and dict.  (construct's ``Container`` keeps the
stream it was read from and lets a field named ``keys`` hide a method.)
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from typing import IO, TYPE_CHECKING, Any, NoReturn

from construct import Array, Construct, StreamError

from schemas.type_names import TypeName

__all__ = [
    "SCALARS",
    "ArrayNode",
    "BitField",
    "Chars",
    "Enumeration",
    "FixedPoint",
    "FlagSet",
    "Leaf",
    "Member",
    "Node",
    "OffsetStruct",
    "PointerTo",
    "Scalar",
    "count_of",
    "name_of",
    "size_of",
]

_FORMATS = {
    "u8": "B",
    "s8": "b",
    "u16": "H",
    "s16": "h",
    "u32": "I",
    "s32": "i",
    "u64": "Q",
    "s64": "q",
    "f32": "f",
    "f64": "d",
}
SCALARS = (*_FORMATS, "angle16")
if TYPE_CHECKING:
    Node = Construct[Any, Any]
    ArrayNode = Array[Any, Any]
else:
    Node = Construct
    ArrayNode = Array


class Leaf(Node):
    """A value that is stored in ``size`` bytes as ``format``, a format of Python's ``struct``."""

    def __init__(self, name: str, format: str) -> None:
        super().__init__()
        self.type_name = name
        self.packing = struct.Struct(format)
        self.size = self.packing.size

    def _sizeof(self, context: Any, path: str) -> int:
        return self.size

    def _parse(self, stream: IO[bytes], context: Any, path: str) -> Any:
        return self.value(self.packing.unpack(_read(stream, self.size, path))[0])

    def _build(self, obj: Any, stream: IO[bytes], context: Any, path: str) -> Any:
        stream.write(self.packing.pack(self.stored(obj)))
        return obj

    def value(self, stored: Any) -> Any:
        """What the stored number means."""
        return stored

    def stored(self, value: Any) -> Any:
        """The number to store for a value."""
        return value


class Scalar(Leaf):
    """An integer or a float as the C types: u8 to s64, f32 (binary32), f64 (binary64), angle16."""

    def __init__(self, name: str, order: str) -> None:
        super().__init__(name, order + _FORMATS["u16" if name == "angle16" else name])
        self.floating = name[0] == "f"
        self.signed = name[0] in "sf"
        self.angle = name == "angle16"


class FixedPoint(Leaf):
    """``qM.N``: a signed two's complement number of M + N bits, in units of 2 to the minus N."""

    def __init__(self, whole_bits: int, fraction_bits: int, order: str) -> None:
        name = f"q{whole_bits}.{fraction_bits}"
        formats = {8: "b", 16: "h", 32: "i", 64: "q"}
        if whole_bits + fraction_bits not in formats:
            raise ValueError(f"{name}: expected 8, 16, 32 or 64 bits in all")
        super().__init__(name, order + formats[whole_bits + fraction_bits])
        self.fraction_bits = fraction_bits

    def value(self, stored: int) -> float:
        return stored / (1 << self.fraction_bits)

    def stored(self, value: float) -> int:
        return round(value * (1 << self.fraction_bits))


class Chars(Leaf):
    """``char[N]``: N bytes of UTF-8 text up to its first NUL; other bytes are shown as escapes."""

    def __init__(self, count: int) -> None:
        super().__init__(f"char[{count}]", f"{count}s")

    def value(self, stored: bytes) -> str:
        return stored.split(b"\0", 1)[0].decode("utf-8", "backslashreplace")

    def stored(self, value: str) -> bytes:
        return value.encode()


class Enumeration(Leaf):
    """An integer whose values have names: ``members`` maps name to value."""

    def __init__(self, name: str, base: Scalar, members: Mapping[str, int]) -> None:
        super().__init__(name, base.packing.format)
        self.base = base
        self.members = dict(members)


class FlagSet(Leaf):
    """An unsigned integer whose bits have names: ``bits`` maps name to bit, 0 the lowest."""

    def __init__(self, name: str, base: Scalar, bits: Mapping[str, int]) -> None:
        super().__init__(name, base.packing.format)
        self.base = base
        self.bits = dict(bits)


class PointerTo(Leaf):
    """The guest address of a ``target``.  Following it is the reader's part, so types may recur."""

    def __init__(self, target: TypeName, size: int, order: str) -> None:
        super().__init__(f"{target}*", order + {2: "H", 4: "I", 8: "Q"}[size])
        self.target = target


class BitField(Leaf):
    """``width`` bits of a stored ``unit``, the lowest of them bit ``lowest`` by significance.

    The value is signed where the unit is.
    """

    def __init__(self, unit: Scalar | Enumeration | FlagSet, lowest: int, width: int) -> None:
        self.unit = unit
        scalar = unit if isinstance(unit, Scalar) else unit.base
        if lowest < 0 or width < 1 or lowest + width > scalar.size * 8:
            raise ValueError(
                f"bits {lowest} to {lowest + width - 1} do not lie in {unit.type_name}, "
                f"which has {scalar.size * 8}"
            )
        super().__init__(unit.type_name, scalar.packing.format.upper())
        self.lowest = lowest
        self.width = width
        self.signed = scalar.signed

    def value(self, stored: int) -> int:
        part = stored >> self.lowest & ((1 << self.width) - 1)
        if self.signed and part >> (self.width - 1):
            part -= 1 << self.width
        return part

    def _build(self, obj: Any, stream: IO[bytes], context: Any, path: str) -> Any:
        raise NotImplementedError("a bit-field alone cannot be built: its word has other parts")


@dataclass(frozen=True, slots=True)
class Member:
    """A member of a struct: its offset in bytes and its type."""

    name: str
    offset: int
    type: Node
    doc: str = ""


class OffsetStruct(Node):
    """``size`` bytes with members at absolute offsets; they may overlap and leave gaps."""

    def __init__(self, name: str, size: int, members: Mapping[str, Member]) -> None:
        super().__init__()
        self.type_name = name
        self.size = size
        self.members = dict(members)
        for member in self.members.values():
            end = member.offset + size_of(member.type)
            if member.offset < 0 or end > size:
                raise ValueError(
                    f"{name}.{member.name} ends at 0x{end:X}, past the struct's size 0x{size:X}"
                )

    def _sizeof(self, context: Any, path: str) -> int:
        return self.size

    def _parse(self, stream: IO[bytes], context: Any, path: str) -> dict[str, Any]:
        data = _read(stream, self.size, path)
        found: dict[str, Any] = {}
        for member in self.members.values():
            part = data[member.offset : member.offset + size_of(member.type)]
            parsed = member.type.parse(part)
            found[member.name] = list(parsed) if isinstance(member.type, Array) else parsed
        return found

    def _build(self, obj: Any, stream: IO[bytes], context: Any, path: str) -> NoReturn:
        raise NotImplementedError("lowhalf only reads: a struct cannot be built")


def size_of(node: Node) -> int:
    """Bytes that a value of this type occupies."""
    if isinstance(node, Leaf | OffsetStruct):
        return node.size
    if isinstance(node, Array):
        return count_of(node) * size_of(node.subcon)
    return node.sizeof()


def count_of(array: ArrayNode) -> int:
    """Elements of an array."""
    count = array.count
    if not isinstance(count, int):
        raise TypeError("a schema's arrays have a fixed count")
    return count


def name_of(node: Node) -> str:
    """The type as a schema would write it."""
    if isinstance(node, BitField):
        return f"{node.type_name} bits {node.lowest} to {node.lowest + node.width - 1}"
    if isinstance(node, Leaf | OffsetStruct):
        return node.type_name
    counts = ""
    while isinstance(node, Array):
        counts += f"[{node.count}]"
        node = node.subcon
    name = name_of(node)
    if isinstance(node, Chars):  # the length of the text is the last count
        return name.replace("char", f"char{counts}", 1)
    return name + counts


def _read(stream: IO[bytes], size: int, path: str) -> bytes:
    data = stream.read(size)
    if len(data) != size:
        raise StreamError(f"expected {size} bytes, found {len(data)}", path=path)
    return data
