"""Many pieces of work, done by as many processes as there are cores; results come in order.

No more pieces are under way than keep all cores busy, however many there are: memory stays flat.
"""

from __future__ import annotations

import contextlib
import gc
import os
import sys
import traceback
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from multiprocessing.connection import Connection, wait
from typing import Any, TypeVar

from adapters.commands.console.stopped import Stopped
from adapters.commands.console.until_stopped import StopSignals
from adapters.spawned_process import SpawnedProcess

__all__ = ["FEWEST", "ProcessDied", "cores", "each_done", "worth_it"]

Made = TypeVar("Made")
Item = TypeVar("Item")
Result = TypeVar("Result")

FEWEST = 24
"""Pieces of work from which on further processes are worth their start: about a second of one
core each, and a dump takes some 25 ms."""
_AHEAD = 4
"""Pieces that are done at most before an earlier one, for each process."""
_TIDIED = 4
"""Pieces of which memory may be held at a time."""
_LOOK = 0.2
"""Seconds after which a signal is seen while nothing is done."""


class ProcessDied(Exception):
    """A process has ended in the middle of its work, as when the system runs out of memory."""


def cores() -> int:
    """The processor cores that this process may use."""
    if sys.platform == "linux":  # others do not tell
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def worth_it(items: int) -> bool:
    """Whether so many pieces of work are done sooner by further processes."""
    return items >= FEWEST and cores() > 1


def each_done(
    make: Callable[[Made], Callable[[Item], Result]],
    made_of: Made,
    items: Sequence[Item],
    processes: int | None = None,
) -> Iterator[Result | ProcessDied]:
    """What ``make(made_of)`` gives for each of *items*, in their order.

    In this process where they are few, unless *processes* says how many others.  *make* stands in a
    module under its own name, and all that goes in and out can be pickled.  Raises Stopped where a
    signal asks for the end; an exception of the work's is a fault of ours and ends all.
    """
    count = min(cores() if processes is None else processes, len(items))
    if count < 2 or (processes is None and not worth_it(len(items))):
        work = make(made_of)
        for item in items:
            yield work(item)
        return
    with StopSignals() as signals, _Processes(make, made_of, count) as workers:
        yield from workers.results(items, signals)


class _Worker(SpawnedProcess):
    """One process, and the number of the piece that it has; None while it has none."""

    def __init__(self, make: Callable[[Any], Any], made_of: object) -> None:
        super().__init__(_serve, make, made_of)
        self.busy: int | None = None


class _Processes:
    def __init__(self, make: Callable[[Any], Any], made_of: object, count: int) -> None:
        self._make, self._made_of, self._count = make, made_of, count
        self._workers: list[_Worker] = []

    def __enter__(self) -> _Processes:
        self._workers = [_Worker(self._make, self._made_of) for _ in range(self._count)]
        return self

    def __exit__(self, *what: object) -> None:
        for worker in self._workers:
            worker.end()

    def results(self, items: Sequence[Any], signals: StopSignals) -> Iterator[Any]:
        waiting = deque(enumerate(items))
        done: dict[int, Any] = {}
        following = 0
        while following < len(items):
            for worker in self._workers:
                if (
                    worker.busy is None
                    and waiting
                    and waiting[0][0] < following + _AHEAD * self._count
                ):
                    worker.busy, item = waiting.popleft()
                    with contextlib.suppress(OSError):  # its end is seen below
                        worker.pipe.send(item)
            self._gather(done)
            if signals.number:
                raise Stopped(signals.number)
            while following in done:
                yield done.pop(following)
                following += 1

    def _gather(self, done: dict[int, Any]) -> None:
        busy: dict[object, _Worker] = {
            worker.pipe: worker for worker in self._workers if worker.busy is not None
        }
        for pipe in wait([worker.pipe for worker in busy.values()], _LOOK):
            worker = busy[pipe]
            assert worker.busy is not None
            try:
                failed, result = worker.pipe.recv()
            except (EOFError, OSError):
                worker.process.join(5)
                words = f"the process that read it ended with {worker.process.exitcode}"
                done[worker.busy] = ProcessDied(words)
                self._workers[self._workers.index(worker)] = _Worker(self._make, self._made_of)
                continue
            if failed:
                raise RuntimeError(f"a worker process failed:\n{result}")
            done[worker.busy], worker.busy = result, None


def _serve(pipe: Connection, make: Callable[[Any], Callable[[Any], Any]], made_of: object) -> None:
    """What a process does: one piece after the other, until the parent closes the pipe."""
    with contextlib.suppress(EOFError, OSError, Stopped):
        work, done = None, 0
        while True:
            item = pipe.recv()
            try:
                if work is None:
                    work = make(made_of)
                    gc.freeze()
                answer = False, work(item)
                done += 1
                if done % _TIDIED == 0:
                    gc.collect()  # whole images hang in circles
            except Stopped:
                return
            except Exception:
                answer = True, traceback.format_exc()
            pipe.send(answer)
