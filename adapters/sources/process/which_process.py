"""Choice of the process that is meant: by number, by name, or as the one that was started here."""

from __future__ import annotations

import os
from collections.abc import Mapping

from adapters.sources.process.mapping import ProcessStat
from adapters.sources.process.system import START_IT, System
from schemas.errors import SourceLost, SourceUnusable
from schemas.source_settings import ProcessSource

__all__ = ["WhichProcess"]


class WhichProcess:
    """Finds the process of a source's settings, again after it was started anew.

    ``served`` is whether it has been found before: then what is unclear now may clear up.
    """

    def __init__(self, settings: ProcessSource, system: System, source: str) -> None:
        """*source* names the source in faults."""
        self.served = False
        self._settings = settings
        self._system = system
        self._source = source

    def find(self, last: tuple[int, ProcessStat] | None) -> tuple[int, ProcessStat]:
        """The number of the process and what it is; *last* is what was found before.

        Raises SourceLost, SourceUnusable.
        """
        settings, system = self._settings, self._system
        if settings.pid is not None:
            return self._by_number(settings.pid, last)
        stats = {pid: stat for pid in system.processes() if (stat := system.alive(pid))}
        started = _descendants(stats, os.getpid())
        if settings.name:
            pids = [pid for pid, stat in stats.items() if system.is_named(pid, stat, settings.name)]
            pids = [pid for pid in pids if pid != os.getpid()]
            own = [pid for pid in pids if pid in started]
            pids = own or pids
        else:
            # a script that starts the emulator has it as its child
            parents = {stat.parent for stat in stats.values()}
            pids = [pid for pid in started if pid not in parents]
            if not pids:
                raise SourceUnusable(
                    f"which process? set name or pid in [source], or {START_IT}",
                    source=self._source,
                )
        if not pids:
            raise SourceLost(
                f"no process is named {settings.name}: is the emulator running?",
                source=self._source,
            )
        if len(pids) > 1:
            listed = ", ".join(
                f"{pid} ({system.program(pid) or stats[pid].name})" for pid in sorted(pids)[:8]
            )
            what = f"are named {settings.name}" if settings.name else "were started here"
            kind = SourceLost if self.served else SourceUnusable
            raise kind(
                f"{len(pids)} processes {what}: set pid in [source] to one of {listed}",
                source=self._source,
            )
        return pids[0], stats[pids[0]]

    def _by_number(self, pid: int, last: tuple[int, ProcessStat] | None) -> tuple[int, ProcessStat]:
        stat = self._system.alive(pid)
        if stat is None:
            raise SourceLost(
                f"there is no process {pid}: is the emulator running? With name instead of pid "
                "it is found again after a restart",
                source=self._source,
            )
        if last is not None and last[0] == pid and last[1].start != stat.start:
            raise SourceLost(
                f"process {pid} has ended; its number is another program's now ({stat.name}): "
                "set the new pid, or name",
                source=self._source,
            )
        return pid, stat


def _descendants(stats: Mapping[int, ProcessStat], root: int) -> set[int]:
    found: set[int] = set()
    new = {root}
    while new:
        new = {pid for pid, stat in stats.items() if stat.parent in new} - found
        found |= new
    return found
