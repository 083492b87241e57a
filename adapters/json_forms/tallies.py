"""What tallies counted, as JSON: for the command and for the page that shows it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from adapters.practice_log.database import TallyCount, open_for_reading, read_tallies
from bridge.expressions import nodes
from bridge.prepared import PreparedBuild
from bridge.values.value_type import Value, ValueType, show_value
from schemas.loader import Bridge

__all__ = ["Counted", "Counts", "Form", "kept_tallies", "tallies_json", "with_unseen"]

Counts = dict[tuple[str, str], list[TallyCount]]
"""Values with their counts, the commonest first, by expression and build."""


@dataclass(frozen=True)
class Counted:
    """What was counted; ``words`` are for the user: of files of which not all could be counted.

    ``failed`` says how many could not be read to their end for another reason than being cut off.
    """

    counts: Counts
    words: list[str] = field(default_factory=list)
    failed: int = 0


@dataclass(frozen=True, slots=True)
class Form:
    """How a tally's values are shown."""

    type: ValueType
    show: str

    def text(self, value: Value | None) -> str:
        return "no value" if value is None else show_value(value, self.type, self.show)


def kept_tallies(bridge: Bridge) -> Counts:
    """The counts in the bridge's file of attempts.  Raises OutputError."""
    database = open_for_reading(bridge.attempts_path)
    try:
        return read_tallies(database)
    finally:
        database.close()


def with_unseen(found: Counts, ready: Mapping[str, PreparedBuild]) -> Counts:
    """The same with every tally of the bridge that has counted nothing yet."""
    known: Counts = {
        (text, name): [] for name, prepared in ready.items() for text in prepared.tallies
    }
    seen = {expression for expression, _ in found}
    empty: Counts = {key: [] for key in known if key[0] not in seen}
    return {**found, **empty}


def tallies_json(counts: Counts, ready: Mapping[str, PreparedBuild]) -> dict[str, Any]:
    """Each tally's values, the commonest first, with their count and share of its moments.

    ``in_gaps`` are further moments, which came in frames that were not seen: they are in no count
    and in no share, and the value is that of the first frame seen behind them.
    """
    forms = {name: _forms(prepared) for name, prepared in ready.items()}
    return {
        "tallies": [
            {
                "expression": expression,
                "build": build,
                "moments": (moments := sum(each.count for each in values)),
                "in_gaps": sum(each.in_gaps for each in values),
                "values": [
                    {
                        "value": each.value,
                        "text": _text(forms.get(build, {}).get(expression), each.value),
                        "count": each.count,
                        "share": each.count / moments if moments else 0.0,
                        "in_gaps": each.in_gaps,
                    }
                    for each in values
                ],
            }
            for (expression, build), values in counts.items()
        ]
    }


def _forms(prepared: PreparedBuild) -> dict[str, Form]:
    """How the values of each tally are shown: as its watch, or else as the watch that it sees."""
    slots, shows = prepared.program.slots, {watch.name: watch.show for watch in prepared.watches}
    forms: dict[str, Form] = {}
    for place, slot in enumerate(slots):
        if slot.over_frames is None or slot.over_frames.function != "tally":
            continue
        own = [
            watch.show
            for watch in prepared.watches
            if isinstance(
                number := slots[prepared.program.watches[watch.name]].number, nodes.SlotValue
            )
            and number.slot == place
        ]
        seen = shows.get(slots[slot.over_frames.arguments[0]].text, "")
        forms[slot.text] = Form(slot.type, next(filter(None, own), seen))
    return forms


def _text(form: Form | None, value: Value | None) -> str:
    if form is not None:
        return form.text(value)
    return "no value" if value is None else str(value)
