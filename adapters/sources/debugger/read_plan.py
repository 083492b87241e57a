"""Plan of a halt's reads: which requests for which spans, and what is likely to be asked next.

Each moment of a halt counts, and each request costs: so spans near each other are read as one, and
what the last samples asked for is asked for along with the first question of the next.
"""

from __future__ import annotations

import bisect
from collections.abc import Sequence

from bridge.memory.address_map import MemoryMap, Span

__all__ = [
    "BLOCK",
    "GAP",
    "MAX_AHEAD",
    "MAX_READ",
    "STEADY",
    "Addresses",
    "Habit",
    "Moment",
    "ReadPlan",
]

GAP = 128
"""Bytes between two spans that are cheaper to read along than to leave out: one ``m`` costs as much
as about 190 bytes."""
BLOCK = 64
"""A shorter read is widened to this, so that counters side by side cost one ``m`` a sample."""
MAX_READ = 8192
MAX_AHEAD = 1 << 17
STEADY = 2
"""Samples in a row that asked for nothing but what was read in one burst, after which the guest is
let go behind it."""
_UPPER = 0xFFFF_FFFF_0000_0000


class ReadPlan:
    """How spans of *memory* become ``m`` requests of at most *most* bytes each."""

    def __init__(self, memory: MemoryMap, most: int) -> None:
        self._memory = memory
        self._most = min(most, MAX_READ)

    @property
    def anywhere(self) -> int:
        """An address that there is."""
        return self._memory.regions[0].start

    def runs(self, spans: Sequence[Span]) -> list[Span]:
        """Fewer, longer spans that cover *spans*; each inside one region."""
        runs: list[Span] = []
        for span in sorted(map(self._widened, set(spans)), key=lambda s: (s.address, s.length)):
            last = runs[-1] if runs else None
            if last is not None and span.address <= last.end + GAP:
                joined = Span(last.address, max(last.end, span.end) - last.address)
                if self._inside(joined):
                    runs[-1] = joined
                    continue
            runs.append(span)
        return runs

    def requests(self, run: Span) -> list[Span]:
        """A run in pieces that fit one answer each."""
        return [
            Span(address, min(self._most, run.end - address))
            for address in range(run.address, run.end, self._most)
        ]

    def _widened(self, span: Span) -> Span:
        start = span.address & ~(BLOCK - 1)
        wide = Span(start, BLOCK)
        return wide if span.end <= wide.end and self._inside(wide) else span

    def _inside(self, span: Span) -> bool:
        return self._memory.flat(span.address, span.length) is not None


class Moment:
    """The bytes that were read in one halt: what holds until the guest goes on."""

    def __init__(self) -> None:
        self._runs: list[tuple[int, bytes]] = []

    @property
    def empty(self) -> bool:
        """Whether nothing has been read."""
        return not self._runs

    def keep(self, run: Span, parts: Sequence[bytes | None]) -> None:
        """What the requests of a run gave; nothing of it is kept unless all of it came."""
        known = [part for part in parts if part is not None]
        if len(known) == len(parts):
            bisect.insort(self._runs, (run.address, b"".join(known)))

    def bytes_of(self, span: Span) -> bytes | None:
        """A span's bytes; None where they have not been read."""
        at = bisect.bisect_right(self._runs, span.address, key=lambda run: run[0])
        # the runs of one halt are few; a later one may lie inside an earlier one
        for address, data in reversed(self._runs[:at]):
            if span.end <= address + len(data):
                return data[span.address - address : span.end - address]
        return None


class Habit:
    """What samples ask for, one like the other: so it is known before it is asked.

    ``asked`` are the spans of the sample at hand.  ``steady`` counts the samples in a row that
    asked for nothing but what was read ahead.
    """

    def __init__(self) -> None:
        self.asked: list[Span] = []
        self.steady = 0
        self._before: list[Span] = []
        self._surprised = False

    @property
    def is_steady(self) -> bool:
        """Whether the guest may be let go behind what is read ahead."""
        return self.steady >= STEADY

    def ahead(self) -> list[Span]:
        """What to read along with the first question of a sample."""
        before = self._before
        return before if sum(span.length for span in before) <= MAX_AHEAD else []

    def begins(self) -> None:
        """A sample begins."""
        self._surprised = False

    def surprised(self) -> None:
        """The sample asks for something that has not been read ahead."""
        self._surprised = True

    def ends(self) -> None:
        """The sample is over."""
        self.steady = 0 if self._surprised else self.steady + 1

    def moment_is_over(self) -> None:
        """What was asked in it, the next sample may ask too."""
        if self.asked:
            self._before, self.asked = self.asked, []


class Addresses:
    """How the stub wants addresses: some 64-bit guests' stubs know the upper 32-bit ones only with
    their sign extended.  That is found out by the first of them that can be read."""

    def __init__(self, *, extended: bool) -> None:
        """*extended* tells that they are, without a look."""
        self._extended = self._known = extended

    def known_for(self, spans: Sequence[Span]) -> bool:
        """Whether it is known how the stub wants the addresses of these."""
        return self._known or not any(_is_upper(span.address) for span in spans)

    def request(self, span: Span) -> bytes:
        """The ``m`` that reads a span."""
        return b"m%x,%x" % (self.sent(span.address), span.length)

    def sent(self, address: int) -> int:
        """The address as the stub wants it."""
        return address | _UPPER if self._extended and _is_upper(address) else address

    def doubtful(self, spans: Sequence[Span], found: Sequence[bytes | None]) -> list[int]:
        """Which of *spans* to ask for again, sign-extended; *found* is what came of them all."""
        if self._known:
            return []
        upper = [at for at, span in enumerate(spans) if _is_upper(span.address)]
        if any(found[at] is not None for at in upper):
            self._known = True
            return []
        self._extended = bool(upper)
        return upper

    def settled(self, found: Sequence[bytes | None]) -> bool:
        """What came of the doubtful ones: whether the stub wants addresses so."""
        self._extended = self._known = any(part is not None for part in found)
        return self._known


def _is_upper(address: int) -> bool:
    """Whether a 64-bit MIPS writes this 32-bit address with its sign extended."""
    return 0x8000_0000 <= address < 1 << 32
