"""What an expression is at a moment of a recording, with its working.

Where it has no need of earlier frames, one frame is evaluated.  Else all are, from the beginning
on, and what came out is kept: so it is what it would have been, asked before the first frame.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from adapters.sessions.pasts.kept_frames import Packs
from adapters.sessions.pasts.reaching import Reached
from adapters.sessions.pasts.rises import query_of
from adapters.sessions.pasts.sampling import replay_setup
from adapters.sources.recording.replay_from import PlacedReplay, ReplayFrom
from bridge.ports.source import Source
from bridge.prepared import PreparedBuild
from bridge.querying.part_of_program import only
from bridge.questions.question import Answer, Question, Questions
from bridge.sampling.continuity import Continuity
from bridge.sampling.sampler import Sampler
from schemas.errors import ExpressionError, LowhalfError, NoSuchPast, SourceEnded, SourceError
from schemas.loader import Bridge

__all__ = ["FollowedAnswer", "answer_at", "needs_beginning"]

_AnswerForm = Callable[[str, Answer, int], dict[str, Any]]
"""Makes what is kept of the answer to a text at a place."""


def needs_beginning(path: Path, bridge: Bridge, text: str) -> bool:
    """Whether what came before a frame has a say in what *text* is in it."""
    try:
        return not query_of(path, bridge, text, statuses=True).plan.apart
    except ExpressionError:
        return False  # which its answer says, whatever the frame
    except SourceError:
        return True  # nothing is known of it yet, as where no build is recognised at first


async def answer_at(
    path: Path,
    bridge: Bridge,
    prepared: Mapping[str, PreparedBuild],
    text: str,
    where: tuple[int, int],
) -> Answer:
    """The answer in one frame, which is in a group, so many frames behind its first one."""
    source = ReplayFrom(path, *where)
    try:
        question, sampler = await _asked(source, bridge, prepared, text)
        await sampler.next()
    finally:
        await source.close()
    return _given(question)


class FollowedAnswer:
    """The answers in all frames, each made once: as far as somebody has asked, and in order."""

    def __init__(
        self,
        path: Path,
        bridge: Bridge,
        prepared: Mapping[str, PreparedBuild],
        text: str,
        form: _AnswerForm,
    ) -> None:
        self._path = path
        self._bridge = bridge
        self._prepared = prepared
        self._text = text
        self._form = form
        self._answers = Packs()
        self._reached = Reached()
        self._wanted = asyncio.Event()
        self._most = -1
        self._fault = ""
        self._task = asyncio.create_task(self._follow(), name="answers")

    async def close(self) -> None:
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)

    async def at(self, place: int) -> dict[str, Any]:
        """The answer at a place.  Raises NoSuchPast where there is none, PastNotReady."""
        self._most = max(self._most, place)
        self._wanted.set()
        if not await self._reached.wait(place):
            raise NoSuchPast(f"there is no answer at place {place}: {self._fault or 'no frame'}")
        found: dict[str, Any] = self._answers[place]
        return found

    async def _follow(self) -> None:
        source = PlacedReplay(self._path)
        try:
            question, sampler = await _asked(source, self._bridge, self._prepared, self._text)
            while True:
                while source.place >= self._most:
                    self._wanted.clear()
                    await self._wanted.wait()
                await sampler.next()
                shown = self._form(self._text, _given(question), source.place)
                while len(self._answers) <= source.place:
                    self._answers.append(shown)
                self._reached.come(len(self._answers))
        except SourceEnded:
            """All frames have their answer."""
        except LowhalfError as fault:
            self._fault = str(fault)
        finally:
            with contextlib.suppress(LowhalfError):
                await source.close()
            self._reached.end()


async def _asked(
    source: Source, bridge: Bridge, prepared: Mapping[str, PreparedBuild], text: str
) -> tuple[Question, Sampler]:
    """A question that is asked before the first frame, of a program that evaluates no watch.

    So a watch that it names is evaluated by the question itself, from the same frame on.
    """
    asking = {
        name: replace(each, program=replace(only(each.program, []), watches=each.program.watches))
        for name, each in prepared.items()
    }
    watches = {watch.name: watch.expr for watch in bridge.file.watches}
    setup = replay_setup(bridge, asking, source)
    questions = Questions(setup.clock)
    question = questions.ask(text, watches)
    sampler = await Sampler.open(source, setup, Continuity(setup.clock, questions=questions))
    return question, sampler


def _given(question: Question) -> Answer:
    return question.answer or Answer(0, "", 0.0, note="no frame yet")
