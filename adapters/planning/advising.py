"""A process that says where a plan was left, and makes a new one: no frame waits for it."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Callable, Mapping
from multiprocessing.connection import Connection

from adapters.planning.engines import engine_here
from adapters.spawned_process import SpawnedProcess
from adapters.system_clock import system_clock
from bridge.planning.advice import advise
from bridge.planning.followable import Followable
from bridge.planning.outcome import Sought
from bridge.ports.plan_adviser import PlanAdvice, PlanAdviser, PlanQuestion

__all__ = ["PlanAdvisingProcess"]


class PlanAdvisingProcess(PlanAdviser):
    """Answers for one plan, on each of its builds; started at once, so that it is ready in time."""

    def __init__(self, plans: Mapping[str, Followable], log: logging.Logger) -> None:
        self._log = log
        self._process: SpawnedProcess | None = None
        self._awaited: int | None = None
        followed = {build: plan for build, plan in plans.items() if not plan.why}
        try:
            self._process = SpawnedProcess(_answering, followed)
        except OSError as fault:
            log.error("no new plans: no process can be started: %s", fault)

    def ask(self, question: PlanQuestion) -> None:
        if self._process is None:
            return
        try:
            self._process.pipe.send(question)
            self._awaited = question.number
        except OSError as fault:
            self._gone(fault)

    def take(self) -> PlanAdvice | None:
        if self._process is None or self._awaited is None:
            return None
        newest: PlanAdvice | None = None
        try:
            while self._process.pipe.poll():
                newest = self._process.pipe.recv()
        except (OSError, EOFError) as fault:
            self._gone(fault)
        # an answer to what was asked before may come behind the newest question
        if newest is not None and newest.last and newest.number == self._awaited:
            self._awaited = None
        return newest

    def close(self) -> None:
        process, self._process = self._process, None
        if process is not None:
            process.end()

    def _gone(self, fault: Exception) -> None:
        self._log.error("no new plans any more: their process has ended (%s)", fault)
        self.close()


def _answering(pipe: Connection, plans: Mapping[str, Followable]) -> None:
    """The process: answers the newest question until the daemon has gone."""
    clock = system_clock()
    with contextlib.suppress(EOFError, OSError):
        engine = engine_here().engine
        while True:
            question: PlanQuestion = pipe.recv()
            while pipe.poll():
                question = pipe.recv()
            for answer in advise(plans[question.build], question, clock, engine, _wanted(pipe)):
                pipe.send(answer)


def _wanted(pipe: Connection) -> Callable[[Sought], bool]:
    """What a search is told: it goes on while nothing newer is asked."""
    return lambda sought: not pipe.poll()
