"""``lowhalf tally``: how often each value was seen at the moments that a watch's tally names."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from adapters.attempts.database import open_for_reading, read_tallies
from adapters.commands.read import columns
from adapters.commands.tally_replay import Counts, replayed
from adapters.outputs.words import printable
from bridge import nodes
from bridge.plan import Plan, plans
from bridge.values import Value, ValueType, show_value
from schemas.loader import Bridge, load_bridge
from schemas.source_settings import RecordingSource


@dataclass(frozen=True, slots=True)
class Form:
    """How a tally's values are shown."""

    type: ValueType
    show: str

    def text(self, value: Value | None) -> str:
        return "no value" if value is None else show_value(value, self.type, self.show)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("bridge", type=Path, metavar="BRIDGE.toml", help="the bridge file")
    parser.add_argument(
        "--dump",
        type=Path,
        nargs="+",
        metavar="FILE",
        help="count in these recordings and dumps; a dump is one moment, where when is true in it",
    )
    parser.add_argument("--json", action="store_true", help="print all as one JSON object")


def run(arguments: argparse.Namespace) -> int:
    bridge = load_bridge(arguments.bridge)
    ready = plans(bridge)
    counts = _counts(bridge, ready, arguments.dump)
    forms = {name: _forms(plan) for name, plan in ready.items()}
    answer = [
        {
            "expression": expression,
            "build": build,
            "moments": sum(count for _, count in values),
            "values": [
                {
                    "value": value,
                    "text": _text(forms.get(build, {}).get(expression), value),
                    "count": count,
                    "share": count / sum(count for _, count in values),
                }
                for value, count in values
            ],
        }
        for (expression, build), values in counts.items()
    ]
    if arguments.json:
        json.dump({"tallies": answer}, sys.stdout, ensure_ascii=False)
        print()
    else:
        for line in _table(answer):
            print(line)
    return 0


def _counts(bridge: Bridge, ready: Mapping[str, Plan], dumps: Sequence[Path] | None) -> Counts:
    """The counts, from files or from what is kept; every tally of the bridge is among them."""
    known: Counts = {(text, name): [] for name, plan in ready.items() for text in plan.tallies}
    if not known:
        raise bridge.text.error(
            ("watches",), "there is no tally in the bridge file; write one, as tally(x, when)"
        )
    source = bridge.file.source
    if dumps:
        found = replayed(bridge, ready, dumps)
    elif isinstance(source, RecordingSource):
        # what a recording gives does not depend on how often it was played
        found = replayed(bridge, ready, [bridge.path.parent / source.path])
    else:
        database = open_for_reading(bridge.attempts_path)
        try:
            found = read_tallies(database)
        finally:
            database.close()
    seen = {expression for expression, _ in found}
    empty: Counts = {key: [] for key in known if key[0] not in seen}
    return {**found, **empty}


def _forms(plan: Plan) -> dict[str, Form]:
    """How the values of each tally are shown: as its watch, or else as the watch that it sees."""
    slots, shows = plan.program.slots, {watch.name: watch.show for watch in plan.watches}
    forms: dict[str, Form] = {}
    for place, slot in enumerate(slots):
        if slot.over_frames is None or slot.over_frames.function != "tally":
            continue
        own = [
            watch.show
            for watch in plan.watches
            if isinstance(number := slots[plan.program.watches[watch.name]].number, nodes.SlotValue)
            and number.slot == place
        ]
        seen = shows.get(slots[slot.over_frames.arguments[0]].text, "")
        forms[slot.text] = Form(slot.type, next(filter(None, own), seen))
    return forms


def _text(form: Form | None, value: Value | None) -> str:
    if form is not None:
        return form.text(value)
    return "no value" if value is None else str(value)


def _table(answer: Sequence[Mapping[str, Any]]) -> list[str]:
    lines: list[str] = []
    for tally in answer:
        moments = tally["moments"]
        words = f"{moments} moment{'s' * (moments != 1)}"
        lines += [""] * bool(lines)
        lines.append(f"{printable(tally['expression'])}  build {tally['build']}  {words}")
        lines += columns(
            [
                [f"  {printable(row['text'])}", str(row["count"]), f"{row['share']:.1%}"]
                for row in tally["values"]
            ]
        )
    return lines
