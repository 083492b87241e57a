"""Expressions that a page asks for while the game runs: the request, and the answer as JSON."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from aiohttp import web

from adapters.outputs.web.snapshot import reading_snapshot
from adapters.words.derivation import step_count, step_hex, step_text
from bridge.paths.derivation import DerivationStep
from bridge.questions.byte_rows import ByteRows
from bridge.questions.question import Answer, Question
from bridge.readings.reading import Reading

__all__ = ["LONGEST", "FollowedQuestion", "answer_json", "asked_text"]

LONGEST = 400
"""Characters of an expression."""


def asked_text(request: web.Request) -> str:
    """The expression of ``?expr=``.  Raises HTTPBadRequest where it is missing or too long."""
    texts = request.query.getall("expr", [])
    if len(texts) != 1 or not texts[0].strip():
        raise web.HTTPBadRequest(text="expr: expected one watch's name or expression\n")
    if len(texts[0]) > LONGEST:
        raise web.HTTPBadRequest(
            text=f"expr: expected at most {LONGEST} characters, found {len(texts[0])}\n"
        )
    return texts[0]


class FollowedQuestion:
    """A question as a WebSocket client follows it."""

    def __init__(self, question: Question, words: Callable[[str], str] = str) -> None:
        """*words* makes of what is said of the source what the page may see of it."""
        self._question = question
        self._words = words

    @property
    def serial(self) -> int:
        return self._question.serial

    async def newer(self, serial: int, patience: float) -> None:
        await self._question.newer(serial, patience)

    def take(self) -> str:
        answer = self._question.answer
        assert answer is not None
        shown = answer_json(self._question.text, answer, self._words)
        return json.dumps(shown, allow_nan=False, separators=(",", ":"))


def answer_json(text: str, answer: Answer, words: Callable[[str], str] = str) -> dict[str, Any]:
    """One answer.  ``error`` is why the text is not understood, ``at`` the column in it, from 0.

    ``at`` is null where the fault is in another text, such as that of a watch it names.  ``result``
    is null where there is no reading yet.
    """
    lines = [
        (step, replace(reading, reason=words(reading.reason)) if reading.reason else reading)
        for step, reading in answer.working
    ]
    bases = (None, *(reading for _, reading in lines))
    error = answer.error
    return {
        "frame": answer.frame,
        "build": answer.build,
        "note": words(answer.note),
        "expression": text,
        "error": None
        if error is None
        else {
            "message": error.detail,
            "at": error.column if error.expression == text else None,
        },
        "result": _result(*lines[-1]) if lines else None,
        "steps": [
            _step(step, base, reading) for (step, reading), base in zip(lines, bases, strict=False)
        ],
        "strip": None if answer.strip is None else _strip(answer.strip),
    }


def _result(step: DerivationStep, reading: Reading) -> dict[str, Any]:
    """``hex`` are the bits of the value where its type has a width, else empty."""
    return {**reading_snapshot(reading), "hex": step_hex(step, reading), "type": step.type}


def _step(step: DerivationStep, base: Reading | None, reading: Reading) -> dict[str, Any]:
    """``count`` is how many elements of ``offset`` bytes an index added, null where it is none.

    What ``offset`` is of a list and of its elements, ``bridge.paths.derivation.Step`` says.
    """
    return {
        "kind": step.kind,
        "label": step.label,
        "type": step.type,
        "offset": step.offset,
        "count": step_count(step, base, reading),
        "text": step_text(step, reading),
        "hex": step_hex(step, reading),
        "address": reading.address,
        "status": str(reading.status),
        "reason": reading.reason,
    }


def _strip(strip: ByteRows) -> dict[str, Any]:
    """``value`` and ``part`` are offset and size in bytes, counted from the first of ``bytes``."""
    part = None
    if strip.part_offset is not None and strip.part_size is not None:
        part = [strip.part_offset, strip.part_size]
    return {
        "address": strip.address,
        "bytes": list(strip.data),
        "value": [strip.value_offset, strip.value_size],
        "part": part,
        "order": "big" if strip.big_endian else "little",
        "type": strip.type,
    }
