"""What is odd about bytes that were typed, so that they are questioned before they are taken.

A slip of one digit makes most often a pointer into nowhere, a kind that there is not, or no number.
What is odd may stand there all the same: so it is asked, and not refused.
"""

from __future__ import annotations

from bridge.asking.question import Question, canonical
from bridge.evaluation.access_code import alignment
from bridge.memory.address_map import MemoryMap
from schemas.compiler import BuildLayout
from schemas.layout import Enumeration, FlagSet, Leaf, Node, PointerTo, Scalar, size_of
from schemas.resolve import leaves

__all__ = ["doubt"]


def doubt(question: Question, data: bytes, layout: BuildLayout, memory: MemoryMap) -> str:
    """Why these bytes may not be what stands there; empty where nothing speaks against them."""
    for field in question.fields:
        leaf = field.whole
        start = field.address - question.address
        if leaf is not None and (
            words := _of(leaf, data[start : start + field.size], layout, memory)
        ):
            return f"{field.place}: {words}"
    return ""


def _of(leaf: Leaf, data: bytes, layout: BuildLayout, memory: MemoryMap) -> str:
    stored = leaf.packing.unpack(data)[0]
    if isinstance(leaf, PointerTo):
        return _of_pointer(stored, layout.type(leaf.target), str(leaf.target), layout, memory)
    if isinstance(leaf, Enumeration):
        if stored not in leaf.members.values():
            known = [f"{value} ({name})" for name, value in leaf.members.items()]
            return f"{leaf.type_name} has no {stored}: expected {_few(known)}"
    elif isinstance(leaf, FlagSet):
        unknown = stored & ~sum(1 << bit for bit in set(leaf.bits.values()))
        if unknown:
            return f"{leaf.type_name} has no bit for 0x{unknown:X} of 0x{stored:X}"
    elif isinstance(leaf, Scalar) and leaf.floating:
        if stored != stored:
            return "is not a number"
        if stored in (float("inf"), float("-inf")):
            return "is infinite"
    return ""


def _of_pointer(
    address: int, target: Node, name: str, layout: BuildLayout, memory: MemoryMap
) -> str:
    if not address:
        return ""  # a null pointer leads nowhere, and is one all the same
    region = memory.region_at(address)
    shown = f"0x{address:0{2 * layout.pointer_size}X}"
    if region is None:
        return (
            f"{shown} is outside {_few([_range(r.name, r.start, r.end) for r in memory.regions])}"
        )
    if memory.flat(address, size_of(target)) is None:
        end = f"0x{region.end:08X}"
        start = f"0x{canonical(memory, address):08X}"
        return f"{name} at {start} would reach past the end of {region.name}, {end}"
    step = max((alignment(layout, leaf) for _, _, leaf in leaves(target)), default=1)
    if address % min(step, layout.pointer_size):
        return f"{shown} is not a multiple of {min(step, layout.pointer_size)}, as {name} must be"
    return ""


def _range(name: str, start: int, end: int) -> str:
    return f"{name} (0x{start:08X} to 0x{end - 1:08X})"


def _few(values: list[str]) -> str:
    told = values[:8]
    more = f" and {len(values) - 8} more" if len(values) > 8 else ""
    return (
        f"{', '.join(told[:-1])} or {told[-1]}"
        if len(told) > 1 and not more
        else (", ".join(told) + more)
    )
