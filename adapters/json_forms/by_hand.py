"""What is asked of a person, and what has been reached, as JSON: a line, or what a page is sent."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from adapters.json_forms.form import Form
from bridge.asking.asking import Asking
from bridge.asking.entry import expected
from bridge.asking.question import AddressSum, Answered, Question
from bridge.asking.reached import Reached
from bridge.values.status import Status

__all__ = [
    "ByHandForm",
    "HandAnsweredForm",
    "HandDoubtForm",
    "HandFieldForm",
    "HandQuestionForm",
    "HandReachedForm",
    "HandSumForm",
    "HandSumStepForm",
    "by_hand_json",
]


class HandSumStepForm(Form):
    """One addition; digits run from the highest, a carry stands over the digit it goes to."""

    label: str = Field(description="what is added, such as .position.x")
    before: str
    sign: Literal["+", "-"]
    operand: str
    carries: str
    after: str


class HandSumForm(Form):
    """How an address comes about."""

    base: str = Field(description="what the first number is, such as courier.held holds")
    steps: list[HandSumStepForm]


class HandFieldForm(Form):
    """One value, or a part of one, that stands where a question looks."""

    place: str = Field(description="its text, such as courier.held")
    address: int
    size: int
    words: str = Field(description="what it is, such as courier.held: a pointer to Actor")


class HandQuestionForm(Form):
    """What to look at on the console, and what the answer may be."""

    number: int = Field(ge=1)
    address: int = Field(description="the canonical guest address")
    size: int = Field(ge=1, description="bytes")
    show: Literal["hexadecimal"] = Field(description="the form to have the console show it in")
    answers: list[Literal["hexadecimal", "decimal", "float", "name", "names"]] = Field(
        description="names are of flags, joined by commas"
    )
    names: list[str] = Field(description="the names with which it may be answered")
    order: Literal["big", "little"] = Field(
        description="of a number's bytes; digits with spaces between are bytes as they lie"
    )
    fields: list[HandFieldForm]
    words: str
    expected: str = Field(description="what an answer may be, in words")
    needed_by: list[str] = Field(description="the watches and steps that wait for it")
    sum: HandSumForm | None = Field(description="how the address follows from an answer before")
    hint: str


class HandDoubtForm(Form):
    """An answer that cannot be, as far as is known; confirm it, or answer again."""

    words: str = Field(description="which bits would be taken")
    why: str


class HandAnsweredForm(Form):
    """An answer that stands."""

    number: int
    address: int
    size: int
    words: str = Field(description="what was asked for")
    data: str = Field(description="the bytes in the order of their addresses, hexadecimal")
    text: str = Field(description="which bits were taken, and what they mean")
    moment: int
    confirmed: bool


class HandReachedForm(Form):
    """What has been reached of a watch, or of one of the places that it is made of."""

    watch: str
    title: str
    part: str = Field(description="with --addresses, of a computed watch: the text of one place")
    standing: Literal["value", "address", "absent", "asked", "skipped", "not-by-hand"]
    status: Status | None = Field(description="the watch's; null where an address is wanted")
    value: int | float | bool | str | None
    text: str
    address: int | None
    reason: str
    sum: HandSumForm | None


class ByHandForm(Form):
    """A line of ``lowhalf by-hand --json``, and what ``/by-hand.json`` gives."""

    revision: int = Field(description="goes up with each change")
    outcome: Literal["", "taken", "doubted", "refused"] = Field(
        description="what became of what was said last; empty where nothing was"
    )
    said: str = Field(description="words on it")
    build: str | None
    addresses: bool = Field(description="whether only addresses are wanted")
    moment: int = Field(ge=1, description="goes up each time that the game has gone on")
    can_undo: bool
    question: HandQuestionForm | None = Field(description="null where nothing is lacking")
    doubt: HandDoubtForm | None
    stuck: str = Field(description="why the build cannot be told; else empty")
    reached: list[HandReachedForm]
    answered: list[HandAnsweredForm]


def by_hand_json(asking: Asking, outcome: str = "", said: str = "") -> dict[str, Any]:
    """All that is to be told, with what became of what was *said* last."""
    doubted = asking.doubted
    return {
        "revision": asking.revision,
        "outcome": str(outcome),
        "said": said,
        "build": asking.build or None,
        "addresses": asking.addresses,
        "moment": asking.moment,
        "can_undo": asking.can_undo,
        "question": _question(asking.question, asking.order),
        "doubt": None if doubted is None else {"words": doubted.words, "why": doubted.why},
        "stuck": asking.stuck,
        "reached": [_reached(each) for each in asking.reached],
        "answered": [_answered(each) for each in asking.log],
    }


def _question(question: Question | None, order: str) -> dict[str, Any] | None:
    if question is None:
        return None
    return {
        "number": question.number,
        "address": question.address,
        "size": question.size,
        "show": "hexadecimal",
        "answers": list(question.answers),
        "names": list(question.names),
        "order": "big" if order == ">" else "little",
        "fields": [
            {
                "place": field.place,
                "address": field.address,
                "size": field.size,
                "words": field.words,
            }
            for field in question.fields
        ],
        "words": question.words,
        "expected": expected(question),
        "needed_by": list(question.needed_by),
        "sum": _sum(question.total),
        "hint": question.hint,
    }


def _sum(total: AddressSum | None) -> dict[str, Any] | None:
    if total is None:
        return None
    return {
        "base": total.base,
        "steps": [
            {
                "label": label,
                "before": step.before,
                "sign": step.sign,
                "operand": step.operand,
                "carries": step.carries,
                "after": step.after,
            }
            for label, step in zip(total.labels, total.steps, strict=True)
        ],
    }


def _reached(reached: Reached) -> dict[str, Any]:
    reading = reached.reading
    told = {} if reading is None else reading.as_json()
    return {
        "watch": reached.aim.name,
        "title": reached.aim.title,
        "part": reached.aim.part,
        "standing": str(reached.standing),
        "status": told.get("status"),
        "value": told.get("value") if reached.standing == "value" else None,
        "text": reached.text,
        "address": reached.address,
        "reason": reached.reason,
        "sum": _sum(reached.total),
    }


def _answered(told: Answered) -> dict[str, Any]:
    question = told.question
    return {
        "number": question.number,
        "address": question.address,
        "size": question.size,
        "words": question.words,
        "data": told.data.hex(" ").upper(),
        "text": told.words,
        "moment": told.moment,
        "confirmed": told.confirmed,
    }
