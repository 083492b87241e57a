"""What generated code runs with: its functions compiled, and those of ours that it may call."""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from functools import lru_cache
from types import CodeType
from typing import Any, Final, NoReturn

from bridge.evaluation.absence import SET_ASIDE, Absent, Missing, same_fault
from bridge.evaluation.budget import OverBudget
from bridge.evaluation.code_writer import GeneratedCode
from bridge.evaluation.list_working import Walked, extreme, pick
from bridge.expressions import arithmetic
from bridge.values.status import Status

__all__ = ["compiled", "null"]

_EMPTY = "nothing there: an empty list"


def compiled(code: GeneratedCode, order: str, calls: Mapping[str, Any]) -> Mapping[str, Any]:
    """The functions that generated source defines, by name.

    *order* is the guest's byte order as struct has it, *calls* what the source may call beside what
    needs no state.
    """
    unpackers = {f"u_{name}": struct.Struct(order + name).unpack_from for name in code.formats}
    names = {**_STATELESS, **unpackers, **calls, "K": code.constants}
    exec(_code(code.text), names)
    return names


@lru_cache(maxsize=32)
def _code(text: str) -> CodeType:
    """The same source comes again with each dump that is read by one bridge file."""
    return compile(text, "<watches>", "exec")


def null(pointer: str) -> NoReturn:
    """A pointer that is followed is null."""
    raise Absent(Status.NULL, f"{pointer} is null")


def _lack() -> NoReturn:
    raise Missing


def _wrong(lacking: bool, fault: Exception) -> NoReturn:
    """An element of a list has a fault, of which is not known whether it is the first."""
    if lacking and not isinstance(fault, OverBudget):
        raise Missing
    raise fault


def _again(fault: Absent) -> NoReturn:
    """A watch that another uses has no value: neither has the other, for the same reason."""
    if fault is SET_ASIDE:
        raise Missing
    raise same_fault(fault)


def _first(values: Sequence[Any], text: str) -> Any:
    if not values:
        raise Absent(Status.NULL, f"first: {text} is empty", cause=_EMPTY)
    return values[0]


def _filled(values: Sequence[Any], text: str) -> Sequence[Any]:
    if not values:
        raise Absent(Status.NULL, f"{text}: the list is empty", cause=_EMPTY)
    return values


def _index_fault(index: int, place: tuple[str, int]) -> NoReturn:
    text, count = place
    reason = f"index {index} is outside 0 to {count - 1}"
    raise Absent(Status.ERROR, f"{text}: {reason}", cause=f"no result: {reason}")


def _nonfinite(value: float, place: str) -> NoReturn:
    what = "is not a number" if value != value else "is infinite"
    raise Absent(Status.ERROR, f"{place} {what}", value, cause=f"no result: the value {what}")


_STATELESS: Final[Mapping[str, Any]] = {
    "__builtins__": {},
    "Exception": Exception,
    "Missing": Missing,
    "float": float,
    "len": len,
    "all": all,
    "enumerate": enumerate,
    "null": null,
    "again": _again,
    "lack": _lack,
    "wrong": _wrong,
    "LEAST": -arithmetic.MOST,
    "MOST": arithmetic.MOST,
    "first": _first,
    "walked": Walked.of,
    "pick": pick,
    "extreme": extreme,
    "filled": _filled,
    "index_fault": _index_fault,
    "nonfinite": _nonfinite,
    "finite": arithmetic.finite,
    "bounded": arithmetic.bounded,
    "power": arithmetic.power,
    "shift_left": arithmetic.shift_left,
    "shift_right": arithmetic.shift_right,
    **{f"f_{name}": call for name, call in arithmetic.FOLDS.items()},
}
