"""The text of a first file of expectations: what frames gave, for a person to look through."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from bridge.readings.reading import Reading
from bridge.values.status import Status
from bridge.values.value_type import Kind, Value, ValueType, shortest_single
from schemas.seen_letters import toml_string

__all__ = ["DraftedMoment", "draft"]

_HEAD = """\
# What {bridge} gave when this was written: look through it, line by line.
#
# Each line holds for one watch: take out what may differ, and what this is not about.  In place of
#   value = 12.5        between = [12, 13]   or   near = 12.5, within = 0.1   leaves room;
#   watch = "x"         expr = "courier.position.y > 3", value = true   asks anything else.
# status is ok where it is left out.  lowhalf verify, and pytest, hold it against the files.
"""
_MAX_DIGITS = 1 << 63


@dataclass(frozen=True, slots=True)
class DraftedMoment:
    """A frame that was read: ``keys`` are the lines that name it, ``about`` where it is from."""

    keys: Sequence[str]
    about: str
    readings: Sequence[Reading]


def draft(bridge: str, moments: Sequence[DraftedMoment]) -> str:
    """The file's text; *bridge* is the bridge file's path from where the text will stand."""
    parts = [_HEAD.format(bridge=_comment(bridge)) + f"bridge = {toml_string(bridge)}\n"]
    for moment in moments:
        lines = [f"[[moments]]  # {_comment(moment.about)}", *moment.keys, "expect = ["]
        parts.append("\n".join([*lines, *_rows(moment.readings), "]", ""]))
    return "\n".join(parts)


def _rows(readings: Sequence[Reading]) -> list[str]:
    rows = [(f"    {{ {', '.join(_expected(each))} }},", _remark(each)) for each in readings]
    width = max((len(row) for row, _ in rows if len(row) <= 70), default=0)
    return [f"{row.ljust(width)}  # {remark}" if remark else row for row, remark in rows]


def _expected(reading: Reading) -> list[str]:
    found = [f"watch = {toml_string(reading.watch.name)}"]
    status, value = reading.status, reading.value
    if status.has_value and value is not None:
        written = _written(value, reading.watch.type, reading.watch.show)
        if written:
            found.append(f"value = {written}")
        elif _encodable(reading.text):
            found.append(f"text = {toml_string(reading.text)}")
    if status is not Status.OK or len(found) == 1:
        found.append(f"status = {toml_string(str(status))}")
    return found


def _remark(reading: Reading) -> str:
    """What a person would know the line by: its label, what is shown of it, what is amiss."""
    watch = reading.watch
    told = []
    if watch.label:
        told.append(watch.label)
    if reading.status.has_value and reading.text not in _expected(reading)[1]:
        told.append(reading.text)
    remark = ": ".join(told)
    return _comment("; ".join(filter(None, (remark, reading.reason))))


def _written(value: Value, kind: ValueType, show: str) -> str:
    """The value in TOML; empty where it cannot be told so that it is equal to itself."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return toml_string(value) if _encodable(value) else ""
    if isinstance(value, float):
        return shortest_single(value) if kind.single else repr(value)
    if kind.layout:
        return '"matches"' if value == 1 else ""
    if kind.members and value in kind.members:
        return toml_string(kind.members[value])
    if not -_MAX_DIGITS <= value < _MAX_DIGITS:
        return ""
    if value >= 0 and (kind.address or kind.flags or show == "hex") and kind.kind is Kind.INTEGER:
        return f"0x{value:0{(kind.bits + 3) // 4}X}"
    return str(value)


def _encodable(text: str) -> bool:
    """Whether TOML, which is UTF-8, can hold a text."""
    return not any("\ud800" <= letter <= "\udfff" for letter in text)


def _comment(text: str) -> str:
    """A text that stays in the line of its comment."""
    return toml_string(text)[1:-1].replace('\\"', '"').replace("\\\\", "\\")
