"""Where the pointers lead that symbols hold, read out of one moment's memory."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.comparing.held_memory import HeldMemory
from bridge.paths.address_names import DEEPEST, MAX_POINTERS, pointers_in
from schemas.compiler import BuildLayout
from schemas.layout import Node, OffsetStruct

__all__ = ["Led", "led_by"]


@dataclass(frozen=True, slots=True)
class Led:
    """What a pointer leads to: the path that an expression has for it, its type and where it is.

    ``address`` is canonical.
    """

    path: str
    target: Node
    address: int


def led_by(layout: BuildLayout, memory: HeldMemory) -> list[Led]:
    """Every pointer of the symbols, and of what these lead to, that leads into memory.

    Breadth first: no more than MAX_POINTERS, and none behind more than DEEPEST others.
    """
    found: list[Led] = []
    level = [Led(s.name, s.type, s.address) for s in layout.symbols.values()]
    for _ in range(DEEPEST):
        following: list[Led] = []
        for base in level:
            for suffix, offset, leaf in pointers_in(base.target):
                stored = memory.stored(base.address + offset, leaf.size)
                flat = memory.map.flat(leaf.packing.unpack(stored)[0]) if stored else None
                if flat is None:
                    continue
                if len(found) >= MAX_POINTERS:
                    return found
                target = layout.type(leaf.target)
                path = f"{base.path}{suffix}"
                path = path if isinstance(target, OffsetStruct) else f"{path}[0]"
                following.append(Led(path, target, memory.map.address(flat)))
                found.append(following[-1])
        level = following
    return found
