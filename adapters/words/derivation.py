"""The steps of a derivation, in the words and digits that people are shown."""

from __future__ import annotations

import struct
from collections.abc import Sequence

from adapters.printable import printable
from bridge.paths.derivation import DerivationStep
from bridge.readings.reading import Reading
from bridge.values.value_type import Kind, ValueType, show_value

__all__ = ["step_count", "step_hex", "step_rows", "step_text"]

_FLOATS = {"f32": (4, ">f"), "f64": (8, ">d")}


def step_hex(step: DerivationStep, reading: Reading) -> str:
    """The digits of a step's address or stored bits, without 0x; empty where it has none.

    What was computed has them where its type has a width.
    """
    value, kind = reading.value, reading.watch.type
    if not reading.status.has_value or value is None or isinstance(value, str | bool):
        return ""
    if not kind.bits:
        return ""
    return show_value(value, kind, "hex").removeprefix("0x")


def step_count(step: DerivationStep, base: Reading | None, reading: Reading) -> int | None:
    """How many times an element's size was added, by the addresses before and after.

    None where the step adds no elements, or where an address is not there.
    """
    if step.kind != "index" or base is None or not step.offset:
        return None
    if not isinstance(base.value, int) or not isinstance(reading.value, int):
        return None
    return (reading.value - base.value) // step.offset


def step_text(step: DerivationStep, reading: Reading) -> str:
    """The value as a number or a name for people, beside its bits; empty where there is none."""
    kind, value = reading.watch.type, reading.value
    if not reading.status.has_value or value is None:
        return ""
    if step.kind == "result" or isinstance(value, str | bool) or kind.address:
        return reading.text
    if step.type in _FLOATS and isinstance(value, int):
        whole, code = _FLOATS[step.type]
        value = struct.unpack(code, value.to_bytes(whole, "big"))[0]
        kind = ValueType(Kind.FLOAT, whole * 8)
    return show_value(value, kind, "")


def step_rows(
    step: DerivationStep, base: Reading | None, reading: Reading, build: str
) -> Sequence[Sequence[str]]:
    """The lines of a table: what the step is, what it adds, what it gives, and why or what kind.

    *base* is the reading of the step before.
    """
    value = reading.text if reading.status.has_value else str(reading.status)
    why = printable(reading.reason)
    if step.kind != "result":
        value = step_hex(step, reading) or printable(value)
    if step.kind == "symbol":
        return [[step.label, "", value, why or f"{step.type}, where {build} places it"]]
    if step.kind == "computed":
        return [[step.label, "", value, why or f"{step.type}, at a computed address"]]
    if step.kind == "add":
        return [[f"  {step.label}", f"+ {step.offset:X}", value, why or step.type]]
    if step.kind == "index":
        count = step_count(step, base, reading)
        times = "n" if count is None else str(count)
        added = f"+ {times} × {step.offset:X}"
        return [[f"  {step.label}", added, value, why or step.type]]
    if step.kind in _OF_LISTS:
        return [_list_row(step, reading, value, why)]
    if step.kind == "follow":
        return [[f"{step.label} holds", "", value, why or f"a pointer to {step.type}"]]
    if step.kind == "part":
        address = "" if reading.address is None else f"{reading.address:X}"
        half = step.label.partition("(")[0]
        return [
            [f"  {half}", f"+ {step.offset:X}", address, step.type],
            [f"{step.label} is", "", value, why or _kind_and_text(step, reading)],
        ]
    if step.kind == "value":
        return [[f"{step.label} holds", "", value, why or _kind_and_text(step, reading)]]
    return [["", "", "", ""], [printable(step.label), "=", printable(value), why]]


_OF_LISTS = ("list", "element", "more", "position", "taken", "block", "field")


def _list_row(step: DerivationStep, reading: Reading, value: str, why: str) -> Sequence[str]:
    """The line of a list, of one of its elements, or of a block of the heap."""
    label, kind = printable(step.label), step.type
    if step.kind == "list":
        whole = reading.value == step.offset or not reading.status.has_value
        count = reading.text if whole else f"{reading.text} of {step.offset}"
        return [label, "", count or value, why or f"elements, {kind}"]
    if step.kind == "element":
        made_of = "" if label == f"[{step.offset}]" else f"from [{step.offset}]"
        shown = value if reading.watch.type.address else printable(reading.text)
        return [f"  {label}", made_of, shown, why or printable(kind)]
    if step.kind == "more":
        return ["  …", "", f"{reading.text} more", ""]
    if step.kind == "position":
        return [f"{label} is element", "", reading.text or value, why or f"of {printable(kind)}"]
    if step.kind == "field":
        return [f"  {label}", "", printable(reading.text) or value, why]
    return [label, "", value, why or (f"where the {kind} begins" if step.kind == "block" else kind)]


def _kind_and_text(step: DerivationStep, reading: Reading) -> str:
    value = reading.value
    if value is None or isinstance(value, str | bool) or reading.watch.type.address:
        return step.type
    return f"{step.type} {step_text(step, reading)}"
