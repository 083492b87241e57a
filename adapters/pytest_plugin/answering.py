"""Answers the pytest plugin's questions: a JSON object a line on standard input, one back for each.

    {"collect": FILE}                          {"expectations": [{moment, name, expression, line}]}
    {"look": FILE, "moment": N}                {"moments": {N: [verdict]}, "notes": [TEXT]}
    {"read": DUMP, "bridge", "frame", "watches"}   {"frame": what read --json prints}

Where a file or a dump is wrong the answer is ``{"wrong": TEXT}``.  The process ends with its input.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sys
from collections.abc import Callable, Mapping
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any

from adapters.printable import printable_message
from adapters.sessions import from_python
from adapters.sessions.verifying import (
    PreparedExpectations,
    load_prepared,
    moments_by_source,
    verdicts,
)
from schemas.errors import LowhalfError
from schemas.loader import Bridge

__all__ = ["Answer", "Answers", "main"]

Answer = dict[str, Any]
"""What is answered, to be written as JSON."""


class Answers:
    """Keeps the files that it was asked about last."""

    def __init__(self) -> None:
        self._expectations: tuple[Path, PreparedExpectations] | None = None
        self._bridge: tuple[Path, Bridge] | None = None
        self._ways: Mapping[str, Callable[[Any], Answer]] = {
            "collect": self._collect,
            "look": self._look,
            "read": self._read,
        }

    def answer(self, question: Mapping[str, Any]) -> Answer:
        """The answer to one question."""
        way = next(name for name in self._ways if name in question)
        try:
            return self._ways[way](question)
        except LowhalfError as fault:
            return {"wrong": printable_message(str(fault))}

    def _prepared(self, path: Path) -> PreparedExpectations:
        if self._expectations is None or self._expectations[0] != path:
            self._expectations = path, load_prepared(path)
        return self._expectations[1]

    def _collect(self, question: Mapping[str, Any]) -> Answer:
        prepared = self._prepared(Path(question["collect"]))
        return {
            "expectations": [
                {"moment": number, "name": moment.name, "expression": each.expression, "line": line}
                for number, moment in enumerate(prepared.written.file.moments)
                for each, line in zip(moment.expect, prepared.lines[number], strict=True)
            ]
        }

    def _look(self, question: Mapping[str, Any]) -> Answer:
        prepared, wanted = self._prepared(Path(question["look"])), question["moment"]
        notes: list[str] = []
        moments = next(g for g in moments_by_source(prepared.written) if wanted in g)
        found = iter(asyncio.run(verdicts(prepared, moments, tell=notes.append)))
        return {
            "moments": {
                str(moment): [
                    {"expected": v.expected, "found": v.found, "passed": v.passed}
                    for v, _ in zip(found, prepared.lines[moment], strict=False)
                ]
                for moment in moments
            },
            "notes": notes,
        }

    def _read(self, question: Mapping[str, Any]) -> Answer:
        path = Path(question["bridge"])
        if self._bridge is None or self._bridge[0] != path:
            self._bridge = path, from_python.load_bridge(path)
        frame = from_python.read(
            self._bridge[1],
            question["read"],
            watches=question["watches"],
            frame=question["frame"],
        )
        return {"frame": frame.as_json()}


def main() -> None:
    """Answer until the input ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a terminal's is pytest's, which ends us
    answers, written = Answers(), sys.stdout
    # nothing that prints stands between the answers
    with open(os.devnull, "w") as nowhere, redirect_stdout(nowhere):
        for line in sys.stdin:
            print(json.dumps(answers.answer(json.loads(line))), file=written, flush=True)
