"""A person's part, by ``struct`` alone: follows the recipes of ``lowhalf sheet --json`` on a dump.

It imports nothing of lowhalf's.  Memory is bytes from one address on; letters are looked up, read
and reckoned only where a formula comes to them.
"""

from __future__ import annotations

import gzip
import math
import struct
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

__all__ = ["Follower", "NothingThere"]

_WHOLE = {1: "B", 2: "H", 4: "I", 8: "Q"}
_TURN = 65536


class NothingThere(Exception):
    """An address outside of memory."""


def _signed(value: int, bits: int) -> int:
    value %= 1 << bits
    return value - (1 << bits) if value >= 1 << (bits - 1) else value


def _turn(to: int, start: int) -> int:
    way = (to - start) % _TURN
    return way - _TURN if way >= _TURN // 2 else way


FUNCTIONS: dict[str, Any] = {
    "hypot": math.hypot,
    "abs": abs,
    "min": min,
    "max": max,
    "round": round,
    "floor": math.floor,
    "sqrt": math.sqrt,
    "signed": _signed,
    "unsigned": lambda value, bits: value % (1 << bits),
    "turn": _turn,
    "sin": lambda angle: math.sin(angle % _TURN * math.tau / _TURN),
    "cos": lambda angle: math.cos(angle % _TURN * math.tau / _TURN),
    "atan2": lambda y, x: round(math.atan2(y, x) / math.tau * _TURN) % _TURN,
    "degrees": lambda angle: angle * 360 / _TURN,
}


class Follower:
    """Follows the recipes of one build on one dump."""

    def __init__(self, sheet: Mapping[str, Any], build: str, dump: Path) -> None:
        self.memory = gzip.decompress(dump.read_bytes())
        self.order = ">" if sheet["endian"] == "big" else "<"
        (region,) = sheet["regions"]
        self.starts = [region["start"], *region["mirrors"]]
        self.size = region["size"]
        self.build = build
        self.entries = {each["name"]: each for each in (*sheet["watches"], *sheet["moments"])}

    def value(self, name: str) -> Any:
        """What a recipe gives."""
        recipe = self.entries[name]["recipes"][self.build]
        assert recipe["by_hand"], name
        return self.reckon(recipe["result"], _Letters(self, recipe["definitions"]))

    def reckon(self, formula: str, letters: Mapping[str, Any]) -> Any:
        return eval(formula, {"__builtins__": {}}, letters)

    def bytes_at(self, address: int, size: int) -> bytes:
        for start in self.starts:
            if start <= address and address + size <= start + self.size:
                return self.memory[address - start :][:size]
        raise NothingThere(f"{size} bytes at 0x{address:08X}")

    def address(self, at: Mapping[str, Any], letters: Mapping[str, Any]) -> int:
        counted = sum(letters[each["count"]] * each["size"] for each in at["times"])
        return int(at["add"] + (letters[at["base"]] if at["base"] else 0) + counted)

    def read(self, address: int, stored: Mapping[str, Any]) -> Any:
        size, kind = stored["size"], stored["kind"]
        data = self.bytes_at(address, size)
        if kind == "text":
            return data.partition(b"\0")[0].decode()
        if kind in ("binary32", "binary64"):
            (number,) = struct.unpack(self.order + {"binary32": "f", "binary64": "d"}[kind], data)
            return number
        code = _WHOLE[size]
        (number,) = struct.unpack(self.order + (code if kind != "signed" else code.lower()), data)
        if kind == "fixed":
            return _signed(number, 8 * size) / 2 ** stored["fraction"]
        if kind == "flag":
            return number // 2 ** stored["lowest"] % 2 == 1
        if kind == "bits":
            number = number // 2 ** stored["lowest"] % 2 ** stored["width"]
            return _signed(number, stored["width"]) if stored["signed"] else number
        return number

    def walk(self, walk: Mapping[str, Any], letters: Mapping[str, Any]) -> Any:
        pointer = {"size": walk["pointer_size"], "kind": "unsigned"}
        element = self.address(walk["first"], letters)
        if walk["led"]:
            element = self.read(element, pointer)
        seen: list[int] = []
        taken = []
        while element and element not in seen:
            seen.append(element)
            inner = _Letters(self, walk["inner"], letters, {walk["element"]: element})
            if not walk["where"] or self.reckon(walk["where"], inner):
                taken.append(self.reckon(walk["each"], inner))
                if walk["takes"] == "first":
                    return taken[0]
            element = self.read(element + walk["next_add"], pointer)
        if walk["takes"] == "first":
            return 0
        ends: dict[str, Callable[[list[Any]], Any]] = {"count": len, "min": min, "max": max}
        return ends.get(walk["takes"], sum)(taken)


class _Letters(dict[str, Any]):
    """Letters by name, each made when it is asked for; functions as well."""

    def __init__(
        self,
        follower: Follower,
        definitions: list[Any],
        outer: Mapping[str, Any] = FUNCTIONS,
        known: Mapping[str, Any] | None = None,
    ) -> None:
        super().__init__(known or {})
        self._follower, self._outer = follower, outer
        self._definitions = {each["letter"]: each for each in definitions}

    def __missing__(self, letter: str) -> Any:
        definition = self._definitions.get(letter)
        if definition is None:
            return self._outer[letter]
        self[letter] = value = self._made(definition)
        return value

    def _made(self, definition: Mapping[str, Any]) -> Any:
        follower = self._follower
        if definition["do"] == "read":
            return follower.read(follower.address(definition["at"], self), definition["stored"])
        if definition["do"] == "reckon":
            return follower.reckon(definition["formula"], self)
        if definition["do"] == "watch":
            return follower.value(definition["watch"])
        return follower.walk(definition, self)
