"""``lowhalf explain``: the hexadecimal sum, step by step."""

from __future__ import annotations

import argparse
import json
import struct
import sys

from adapters.commands.one_frame import take_frame, with_dump
from adapters.commands.read import add_reading_arguments, columns, title
from adapters.outputs.words import printable
from bridge.explain import Step, explain
from bridge.plan import plans
from bridge.readings import Reading
from bridge.values import Kind, ValueType, show_value
from schemas.loader import load_bridge

_FLOATS = {"f32": (4, ">f"), "f64": (8, ">d")}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_reading_arguments(parser)
    parser.add_argument("watch", metavar="WATCH-OR-EXPR", help="a watch's name, or an expression")
    parser.add_argument("--json", action="store_true", help="print the steps as a JSON array")


def run(arguments: argparse.Namespace) -> int:
    bridge = with_dump(load_bridge(arguments.bridge), arguments.dump)
    watches = {watch.name: watch.expr for watch in bridge.file.watches}
    explained = {
        name: explain(plan, watches, arguments.watch) for name, plan in plans(bridge).items()
    }
    frame = take_frame(
        bridge, {name: plan for name, (plan, _) in explained.items()}, arguments.wait
    )
    steps = explained[frame.build][1]
    readings = frame.readings
    if arguments.json:
        answer = [
            {"kind": step.kind, "label": step.label, "type": step.type, "offset": step.offset}
            | {key: value for key, value in reading.as_json().items() if key != "watch"}
            for step, reading in zip(steps, readings, strict=True)
        ]
        json.dump(answer, sys.stdout, ensure_ascii=False)
        print()
    else:
        print(title(frame))
        print()
        rows = [
            row
            for step, base, reading in zip(steps, (None, *readings), readings, strict=False)
            for row in _rows(step, base, reading, frame.build)
        ]
        for line in columns(rows):
            print(line)
    return 0 if readings[-1].status.has_value else 1


def _count(step: Step, base: Reading | None, reading: Reading) -> str:
    """How many times an element's size was added, by the addresses before and after."""
    count = "n"
    if base is not None and isinstance(base.value, int) and isinstance(reading.value, int):
        count = str((reading.value - base.value) // step.offset)
    return f"{count} × {step.offset:X}"


def _rows(step: Step, base: Reading | None, reading: Reading, build: str) -> list[list[str]]:
    value = reading.text if reading.status.has_value else str(reading.status)
    why = printable(reading.reason)
    number = reading.value
    if reading.status.has_value and number is not None and step.kind != "result":
        value = show_value(number, reading.watch.type, "hex").removeprefix("0x")
    if step.kind == "symbol":
        return [[step.label, "", value, why or f"{step.type}, where {build} places it"]]
    if step.kind == "computed":
        return [[step.label, "", value, why or f"{step.type}, at a computed address"]]
    if step.kind == "add":
        return [[f"  {step.label}", f"+ {step.offset:X}", value, why or step.type]]
    if step.kind == "index":
        return [[f"  {step.label}", f"+ {_count(step, base, reading)}", value, why or step.type]]
    if step.kind == "follow":
        return [[f"{step.label} holds", "", value, why or f"a pointer to {step.type}"]]
    if step.kind == "part":
        address = "" if reading.address is None else f"{reading.address:X}"
        half = step.label.partition("(")[0]
        return [
            [f"  {half}", f"+ {step.offset:X}", address, step.type],
            [f"{step.label} is", "", value, why or _decimal(step, reading)],
        ]
    if step.kind == "value":
        return [[f"{step.label} holds", "", value, why or _decimal(step, reading)]]
    return [["", "", "", ""], [printable(step.label), "=", printable(value), why]]


def _decimal(step: Step, reading: Reading) -> str:
    """The value as a number or a name for people, beside its bits."""
    kind, value = reading.watch.type, reading.value
    if value is None or isinstance(value, str | bool) or kind.address:
        return step.type
    if step.type in _FLOATS and isinstance(value, int):
        whole, code = _FLOATS[step.type]
        value = struct.unpack(code, value.to_bytes(whole, "big"))[0]
        kind = ValueType(Kind.FLOAT, whole * 8)
    return f"{step.type} {show_value(value, kind, '')}"
