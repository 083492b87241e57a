"""``debugger``: a GDB remote serial protocol stub, as many emulators offer it.

Such a stub reads memory only while the guest is halted, so each sample halts it: an interrupt, the
reads, ``c``.  That takes time from the guest, which is measured and told where it is much.  In
between, nothing at all is sent, since some stubs halt the guest at any byte.

    running ──interrupt, stop──▶ held ──reads, c──▶ running
       └──stop by somebody else──▶ held by others ──found running──▶ held ──c──▶ …

Each moment of a halt counts.  So what the last samples asked for is asked for in one burst behind
the stop; and where they asked for nothing else, the guest is let go behind the last answer, before
the answers are looked at.  A sample that does ask for something else then has the guest halted
again, and stands only where nothing of what it has seen is different now.

A guest that somebody else has halted (in the emulator's own window, say) may be read, and is not
let go.  Whether it is still halted is found out with a ``+``: a halted stub ignores it, one whose
guest runs answers with a stop.  A halt by others that falls into the moment of a sample cannot be
told from ours, and ends with it.

In the frame-exact mode a write watchpoint lies on the counter that ends a frame.  At each of its
stops the write is still to come, and going on would stop there for ever: so the watchpoint is taken
away, one instruction is stepped, and after the reads the watchpoint is set again.

However a connection ends, the guest is let go with ``D``; only a process that is killed outright
cannot do that, and then the next connection lets it go.
"""

from __future__ import annotations

import asyncio
import bisect
import os
import socket
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import Enum, auto
from typing import ClassVar

from adapters.listen_address import ListenAddress, listen_address
from adapters.sources.debugger import rsp
from adapters.sources.debugger.rsp_link import Burst, Link, LinkError, NoAnswer
from bridge.memory.address_map import MemoryMap, Span
from bridge.ports.source import Cadence, Consistency, Opened, Source, Torn
from schemas.errors import SourceLost, SourceUnusable
from schemas.source_settings import DebuggerSource

ANSWER_TIMEOUT = 2.0
CLOSE_TIMEOUT = 1.0
QUIET = 1.0
"""Seconds without a frame after which the guest is looked at all the same, in the frame-exact mode:
it may have been reset into another build, whose counter lies elsewhere."""
TOO_MUCH, MUCH_LESS = 0.10, 0.08
"""Shares of the guest's time: above the first it is told, below the second it is over."""
MEASURE_FOR = 3.0

_GAP = 128
"""Bytes between two spans that are cheaper to read along than to leave out: one ``m`` costs as much
as about 190 bytes."""
_BLOCK = 64
"""A shorter read is widened to this, so that counters side by side cost one ``m`` a sample."""
_MOST_READ = 8192
_MOST_AHEAD = 1 << 17
_STEADY = 2
"""Samples in a row that asked for nothing but what was read in one burst, after which the guest is
let go behind it."""
_UPPER = 0xFFFF_FFFF_0000_0000
_LATE = 0.1
"""Seconds in which an interrupt that crossed another stop may still have its own."""
_INTERRUPT_SIGNALS = (0, 2, 5, 17, 19)
"""What stubs answer an interrupt with: none, interrupt, trap, stop."""


class _Guest(Enum):
    RUNNING = auto()
    STOPPING = auto()
    HELD = auto()
    HELD_BY_OTHERS = auto()


@dataclass(frozen=True, slots=True)
class _Chunk:
    """Bytes for one ``m``."""

    address: int
    length: int


class DebuggerStub(Source):
    """Reads through one stub, halting the guest for each sample."""

    kind: ClassVar[str] = "debugger"
    opening_words: ClassVar[str] = "waiting for the stub to answer"

    def __init__(
        self,
        settings: DebuggerSource,
        *,
        answer_timeout: float = ANSWER_TIMEOUT,
        measure_for: float = MEASURE_FOR,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """*answer_timeout* and *measure_for* are in seconds, as *clock* counts them."""
        super().__init__()
        self.settings = settings
        self.taken = 0.0
        """Share of the guest's time that halting took, over the last measured seconds."""
        self._answer_timeout = answer_timeout
        self._measure_for = measure_for
        self._clock = clock
        self._memory: MemoryMap | None = None
        self._link: Link | None = None
        self._guest = _Guest.RUNNING
        self._foreign = False
        self._let_go = False
        self._late_until = 0.0
        self._most_read = rsp.DEFAULT_PACKET_SIZE // 2
        self._extended = settings.sign_extend
        self._extension_known = settings.sign_extend
        self._counter: tuple[int, int] | None = None
        self._watched: tuple[int, int] | None = None
        self._seen: list[tuple[int, bytes]] = []
        self._asked: list[Span] = []
        self._before: list[Span] = []
        self._sampling = False
        self._asked_late = False
        self._steady = 0
        self._halted_at = 0.0
        self._halted_for = 0.0
        self._measured_from = 0.0
        self._told = False

    @property
    def name(self) -> str:
        return f"debugger {self.settings.address}"

    @property
    def cadence(self) -> Cadence:
        """Trapped from the moment in which a counter is to be watched."""
        return Cadence.SPARING if self._counter is None else Cadence.TRAPPED

    @property
    def consistency(self) -> Consistency:
        return Consistency.HALTED

    def know_counter(self, address: int, size: int) -> None:
        if self.settings.frame_exact:
            self._counter = (address, size)

    # opening and closing

    async def _open(self, guest: MemoryMap) -> Opened:
        await self._close()
        self._memory = guest
        self._counter = self._watched = None
        where = self._where()
        try:
            self._link = await self._connect(where)
        except (socket.gaierror, UnicodeError) as fault:
            raise SourceUnusable(f"no such host ({fault})", source=self.name) from fault
        except (OSError, TimeoutError) as fault:
            reason = os.strerror(fault.errno) if fault.errno else "no answer"
            raise SourceLost(
                f"nothing answers there ({reason}): is the emulator running, with its stub on?",
                source=self.name,
            ) from fault
        try:
            await self._greet(self._link)
        except BaseException:
            await self._close()
            raise
        return Opened(guest, guest, absent_words="cannot be read through the debugger stub")

    async def _connect(self, where: ListenAddress) -> Link:
        """Raises OSError, TimeoutError."""
        connecting = asyncio.create_task(Link.connect(where.host, where.port))
        try:
            async with asyncio.timeout(self._answer_timeout):
                return await asyncio.shield(connecting)
        except BaseException:
            # a stub halts its guest when it is connected to: one whose connection nobody waits for
            # any longer has to be told to let it go
            await asyncio.wait([connecting], timeout=CLOSE_TIMEOUT)
            connecting.cancel()
            if connecting.done() and not connecting.cancelled() and not connecting.exception():
                self._guest = _Guest.HELD
                self._link = connecting.result()
                await self._close()
            raise

    async def _greet(self, link: Link) -> None:
        """Connecting has halted the guest, with or without a word about it."""
        self._guest = _Guest.HELD
        self._seen, self._asked, self._before = [], [], []
        self._sampling, self._steady = False, 0
        self._late_until = 0.0
        self._halted_at = self._measured_from = self._clock()
        self._halted_for = 0.0
        try:
            (said,) = await link.ask([b"qSupported"], self._answer_timeout)
        except NoAnswer as fault:
            raise SourceLost(
                f"no answer in {self._answer_timeout:g} s: does another debugger use the stub?",
                source=self.name,
            ) from fault
        except LinkError as fault:
            raise self._lost(fault) from fault
        able = rsp.features(said)
        self._most_read = min(able.most_read, _MOST_READ)
        if able.no_ack and await self._ask(b"QStartNoAckMode", link) == b"OK":
            link.client.no_more_acks()
        was_running = bool(link.stops)
        link.stops.clear()
        link.client.command(b"?")
        self._check_alive(await self._stop(link, "did not say why it is halted"))
        if was_running:
            self._foreign = False
        elif not self._foreign:
            self.note_recurring(
                "was halted", "the guest was halted when lowhalf connected: it is let go"
            )
        await self._resume()

    async def _close(self) -> None:
        link, self._link = self._link, None
        if link is None:
            return
        still_foreign = False
        self._let_go = False
        try:
            async with asyncio.timeout(CLOSE_TIMEOUT):
                await self._part(link)
            still_foreign = self._foreign
        except (TimeoutError, LinkError, SourceLost):
            pass
        finally:
            if not self._let_go and not self._foreign and not link.lost:
                # whatever has become of the stub or of our patience: the last word lets it go
                if self._guest is _Guest.RUNNING:
                    # without this the first byte of the word itself would halt it
                    link.client.interrupt()
                link.client.detach()
                link.flush()
            link.close()
            self._guest = _Guest.RUNNING
            self._watched = None
            self._foreign = still_foreign

    async def _part(self, link: Link) -> None:
        """Leave no watchpoint behind and the guest as it would be without us."""
        await self._halt(link)
        if self._watched is not None:
            address, size = self._watched
            await self._ask(b"z2,%x,%x" % (self._wire(address), size), link)
            self._watched = None
        # a second D would halt a guest that the first has let go
        self._let_go = True
        if self._foreign:
            link.flush()
        else:
            await link.detach()

    def _where(self) -> ListenAddress:
        try:
            where = listen_address(self.settings.address)
        except ValueError as fault:
            raise SourceUnusable(f"address: {fault}", source=self.name) from fault
        if not where.port:
            raise SourceUnusable("address: expected the stub's port, found 0", source=self.name)
        return where

    # holding

    async def _hold(self) -> None:
        await self._hold_for(self._ahead(), self._steady >= _STEADY)
        self._sampling, self._asked_late = True, False

    async def _hold_for(self, spans: Sequence[Span], go_on: bool) -> None:
        """Halt the guest and read *spans* at once; *go_on* lets it go where all came whole."""
        link = self._connected()
        try:
            await self._halt(link, spans, go_on)
        except LinkError as fault:
            raise self._lost(fault) from fault

    async def _release(self) -> None:
        if self._sampling:
            self._steady = 0 if self._asked_late else self._steady + 1
        self._sampling = False
        if self._link is None or self._link.lost:
            return
        if self._held:
            await self._resume()
        else:
            self._forget()
            self._measure()

    async def _halt(self, link: Link, spans: Sequence[Span] = (), go_on: bool = False) -> None:
        """Until the guest stands still, by us or by others, or has been read and let go."""
        if self._guest in (_Guest.RUNNING, _Guest.HELD_BY_OTHERS):
            await link.look()
            while link.stops and not self._held:
                await self._stopped(link, link.stops.popleft())
        if self._held:
            return
        if self._guest is _Guest.HELD_BY_OTHERS:
            await self._probe(link)
        elif spans and self._may_burst(spans):
            await self._burst(link, spans, go_on)
        else:
            await self._interrupt(link)

    @property
    def _held(self) -> bool:
        return self._guest is _Guest.HELD

    async def _interrupt(self, link: Link) -> None:
        if self._guest is _Guest.RUNNING:
            self._guest = _Guest.STOPPING
            self._began()
            link.client.interrupt()
        try:
            stop = await link.stop(self._answer_timeout)
        except NoAnswer as fault:
            raise self._unstopped() from fault
        self._check_alive(stop)
        self._guest = _Guest.HELD
        if self._at_frame(stop):
            self._late_until = self._clock() + _LATE
            await self._step_off(link)
        elif stop.signal not in _INTERRUPT_SIGNALS:
            self._others(stop)

    def _may_burst(self, spans: Sequence[Span]) -> bool:
        if self._guest is not _Guest.RUNNING or self._counter is not None or self._watched:
            return False
        return self._extension_known or not any(_is_upper(span.address) for span in spans)

    async def _burst(self, link: Link, spans: Sequence[Span], go_on: bool) -> None:
        """Interrupt, and read *spans* in the moment in which the guest has stopped."""

        def stopped(stop: rsp.Stop) -> bool:
            if stop.ended or stop.signal not in _INTERRUPT_SIGNALS:
                return False
            self._guest = _Guest.HELD
            return True

        def whole() -> bool:
            if go_on:
                self._guest = _Guest.RUNNING
                self._halted_for += self._clock() - self._halted_at
            return go_on

        runs = self._runs(spans)
        chunks = [self._chunks(run) for run in runs]
        flat = [chunk for of_run in chunks for chunk in of_run]
        wanted = [(self._memory_request(chunk), 2 * chunk.length) for chunk in flat]
        burst = Burst(wanted, stopped=stopped, whole=whole)
        self._guest = _Guest.STOPPING
        self._began()
        link.client.interrupt()
        try:
            await link.burst(burst, self._answer_timeout)
        except NoAnswer as fault:
            raise (self._stalled() if burst.came else self._unstopped()) from fault
        if not burst.came:
            # a stop for another reason: it has been left for this
            await self._interrupt(link)
            return
        self._keep(
            runs,
            chunks,
            [
                None if answer is None else rsp.memory_of(answer, chunk.length)
                for answer, chunk in zip(burst.answers, flat, strict=True)
            ],
        )

    async def _probe(self, link: Link) -> None:
        """Whether others have let the guest go on: then it is halted now, and by us."""
        link.client.nudge()
        began = self._clock()
        assert self._memory is not None
        await self._ask(b"m%x,1" % self._wire(self._memory.regions[0].start), link)
        stops = list(link.stops)
        link.stops.clear()
        self._guest = _Guest.HELD
        if not stops:
            return
        self._goes_on()
        self._halted_at = began
        self._check_alive(stops[-1])
        if self._at_frame(stops[-1]):
            await self._step_off(link)

    async def _stopped(self, link: Link, stop: rsp.Stop) -> None:
        """The guest has stopped, and nobody here asked for it."""
        self._check_alive(stop)
        if self._at_frame(stop):
            self._goes_on()
            self._began()
            self._guest = _Guest.HELD
            await self._step_off(link)
        elif self._clock() < self._late_until and stop.signal in _INTERRUPT_SIGNALS:
            # our interrupt, which had crossed a stop at the watchpoint
            self._late_until = 0.0
            self._began()
            self._guest = _Guest.HELD
        else:
            self._guest = _Guest.HELD_BY_OTHERS
            self._others(stop)

    def _others(self, stop: rsp.Stop) -> None:
        if not self._foreign:
            self.note_recurring(
                "halted",
                f"the guest was halted by something else (signal {stop.signal}): it is read as it "
                "stands, and goes on when that lets it",
            )
        self._foreign = True

    def _goes_on(self) -> None:
        """The guest has been seen to run again."""
        if self._foreign:
            self.note_recurring("goes on", "the guest goes on")
        self._foreign = False

    async def _resume(self) -> None:
        """Let the guest go on, unless it is not ours to let go."""
        link = self._connected()
        task = asyncio.current_task()
        try:
            # a cancelled asker may have left answers under way, and is to end without delay
            if task is None or not task.cancelling():
                await self._set_watchpoint(link)
        finally:
            # a guest must not stay halted because the last question was cut short
            self._forget()
            if self._foreign:
                self._guest = _Guest.HELD_BY_OTHERS
            else:
                link.client.command(b"c")
                link.flush()
                self._guest = _Guest.RUNNING
                self._halted_for += self._clock() - self._halted_at
        self._measure()

    def _forget(self) -> None:
        """Of what was read, the moment is over; what was asked, the next sample may ask too."""
        self._seen = []
        if self._asked:
            self._before, self._asked = self._asked, []

    def _began(self) -> None:
        self._halted_at = self._clock()
        self._seen = []

    def _measure(self) -> None:
        now = self._clock()
        elapsed = now - self._measured_from
        if elapsed < self._measure_for:
            return
        self.taken = self._halted_for / elapsed
        self._measured_from, self._halted_for = now, 0.0
        if not self._told and self.taken > TOO_MUCH:
            self._told = True
            self.note_recurring(
                "takes much",
                f"halting takes {self.taken:.0%} of the guest's time: watch less, lower the rate, "
                "or read it by shared, push or process",
            )
        elif self._told and self.taken < MUCH_LESS:
            self._told = False
            self.note_recurring(
                "takes less", f"halting takes {self.taken:.0%} of the guest's time now"
            )

    # frame by frame

    async def _wait(self) -> int | None:
        link = self._connected()
        try:
            if self._watched != self._counter:
                await self._halt(link)
            if self._held:
                await self._resume()
            while not self._held:
                try:
                    stop = await link.stop(QUIET, asked=False)
                except NoAnswer:
                    await self._halt(link)
                else:
                    await self._stopped(link, stop)
        except LinkError as fault:
            raise self._lost(fault) from fault
        return None

    def _at_frame(self, stop: rsp.Stop) -> bool:
        return self._watched is not None and stop.at_watchpoint

    async def _step_off(self, link: Link) -> None:
        """Let the write that was watched happen, and nothing more."""
        assert self._watched is not None
        (address, size), self._watched = self._watched, None
        await self._ask(b"z2,%x,%x" % (self._wire(address), size), link)
        link.client.command(b"s")
        self._guest = _Guest.STOPPING
        stop = await self._stop(link, "stalled: one step of the guest did not end")
        self._check_alive(stop)
        self._guest = _Guest.HELD

    async def _set_watchpoint(self, link: Link) -> None:
        if self._watched == self._counter:
            return
        if self._watched is not None:
            (address, size), self._watched = self._watched, None
            await self._ask(b"z2,%x,%x" % (self._wire(address), size), link)
        if self._counter is None:
            return
        address, size = self._watched = self._counter
        answer = await self._ask(b"Z2,%x,%x" % (self._wire(address), size), link)
        if answer == b"OK":
            return
        said = "does not know them" if not answer else f"answered {answer[:20].decode('latin-1')}"
        self.notes.append(
            f"frame_exact needs write watchpoints, and the stub {said}: frames are sampled"
        )
        self._counter = self._watched = None

    # reading

    async def _fetch(self, spans: Sequence[Span]) -> list[bytes | None]:
        self._connected()
        if not spans:
            return []
        if self._sampling or self._held:
            return await self._read(spans)
        # nothing else is asked of this moment
        self._steady = 0
        await self._hold_for(spans, True)
        try:
            return await self._read(spans)
        finally:
            await self._release()

    async def _read(self, spans: Sequence[Span]) -> list[bytes | None]:
        """What the spans hold; what was read in this halt still holds."""
        found = [self._seen_bytes(span, self._seen) for span in spans]
        missing = [span for span, part in zip(spans, found, strict=True) if part is None]
        self._asked += spans
        if not missing:
            return found
        self._asked_late = self._asked_late or bool(self._seen)
        if self._held:
            # the sample before asked for these one after the other; together they cost one round
            await self._read_anew(missing if self._seen else [*missing, *self._ahead()], missing)
        else:
            await self._halt_again()
        return [self._seen_bytes(span, self._seen) for span in spans]

    async def _read_anew(self, spans: Sequence[Span], needed: Sequence[Span]) -> None:
        runs = self._runs(spans)
        await self._read_runs(runs)
        # a run that failed as a whole may fail by one of its spans only
        alone = [
            span
            for span in dict.fromkeys(needed)
            if span not in runs and self._seen_bytes(span, self._seen) is None
        ]
        await self._read_runs(alone)

    async def _halt_again(self) -> None:
        """The guest went on too early: read all that this sample has asked for once more.

        Raises Torn where something of it has changed.
        """
        asked, before = list(self._asked), self._seen
        await self._hold_for(asked, False)
        missing = [span for span in asked if self._seen_bytes(span, self._seen) is None]
        await self._read_anew(missing, missing)
        for span in asked:
            old = self._seen_bytes(span, before)
            if old is not None and old != self._seen_bytes(span, self._seen):
                raise Torn("no whole frame: the guest went on inside a sample")

    def _ahead(self) -> list[Span]:
        """What to read along with the first question of a sample."""
        before = self._before
        return before if sum(span.length for span in before) <= _MOST_AHEAD else []

    async def _read_runs(self, runs: Sequence[Span]) -> None:
        """Read each run in as many ``m`` as it needs; keeps those that came whole."""
        chunks = [self._chunks(run) for run in runs]
        answers = await self._read_chunks([chunk for of_run in chunks for chunk in of_run])
        self._keep(runs, chunks, answers)

    def _keep(
        self,
        runs: Sequence[Span],
        chunks: Sequence[Sequence[_Chunk]],
        answers: Sequence[bytes | None],
    ) -> None:
        """Remember the runs of which every chunk has come."""
        at = 0
        for run, of_run in zip(runs, chunks, strict=True):
            parts = answers[at : at + len(of_run)]
            at += len(of_run)
            known = [part for part in parts if part is not None]
            if len(known) == len(parts):
                bisect.insort(self._seen, (run.address, b"".join(known)))

    async def _read_chunks(self, chunks: Sequence[_Chunk]) -> list[bytes | None]:
        found = await self._ask_memory(chunks)
        if self._extension_known:
            return found
        high = [at for at, chunk in enumerate(chunks) if _is_upper(chunk.address)]
        if any(found[index] is not None for index in high):
            self._extension_known = True
            return found
        if not high:
            return found
        self._extended = True
        again = await self._ask_memory([chunks[index] for index in high])
        if all(part is None for part in again):
            self._extended = False
            return found
        self._extension_known = True
        self.notes.append("the stub wants addresses sign-extended to 64 bits: they are")
        for index, part in zip(high, again, strict=True):
            found[index] = part
        return found

    async def _ask_memory(self, chunks: Sequence[_Chunk]) -> list[bytes | None]:
        link = self._connected()
        asked = [self._memory_request(chunk) for chunk in chunks]
        try:
            answers = await link.ask(asked, self._answer_timeout)
        except NoAnswer as fault:
            raise self._stalled() from fault
        except LinkError as fault:
            raise self._lost(fault) from fault
        return [
            rsp.memory_of(answer, chunk.length)
            for answer, chunk in zip(answers, chunks, strict=True)
        ]

    def _memory_request(self, chunk: _Chunk) -> bytes:
        return b"m%x,%x" % (self._wire(chunk.address), chunk.length)

    @staticmethod
    def _seen_bytes(span: Span, seen: Sequence[tuple[int, bytes]]) -> bytes | None:
        at = bisect.bisect_right(seen, span.address, key=lambda run: run[0])
        # the runs of one halt are few; a later one may lie inside an earlier one
        for address, data in reversed(seen[:at]):
            if span.end <= address + len(data):
                return data[span.address - address : span.end - address]
        return None

    def _runs(self, spans: Sequence[Span]) -> list[Span]:
        """Fewer, longer spans that cover *spans*; each inside one region."""
        runs: list[Span] = []
        for span in sorted(map(self._widened, set(spans)), key=lambda s: (s.address, s.length)):
            last = runs[-1] if runs else None
            if last is not None and span.address <= last.end + _GAP:
                joined = Span(last.address, max(last.end, span.end) - last.address)
                if self._inside(joined):
                    runs[-1] = joined
                    continue
            runs.append(span)
        return runs

    def _widened(self, span: Span) -> Span:
        start = span.address & ~(_BLOCK - 1)
        wide = Span(start, _BLOCK)
        return wide if span.end <= wide.end and self._inside(wide) else span

    def _inside(self, span: Span) -> bool:
        memory = self._memory
        return memory is not None and memory.flat(span.address, span.length) is not None

    def _chunks(self, run: Span) -> list[_Chunk]:
        return [
            _Chunk(address, min(self._most_read, run.end - address))
            for address in range(run.address, run.end, self._most_read)
        ]

    def _wire(self, address: int) -> int:
        """The address as the stub wants it."""
        return address | _UPPER if self._extended and _is_upper(address) else address

    # talking

    def _connected(self) -> Link:
        link = self._link
        if link is None:
            raise SourceLost("is closed", source=self.name)
        if link.lost:
            raise SourceLost(link.lost, source=self.name)
        return link

    async def _ask(self, payload: bytes, link: Link) -> bytes:
        try:
            (answer,) = await link.ask([payload], self._answer_timeout)
        except NoAnswer as fault:
            raise self._stalled() from fault
        except LinkError as fault:
            raise self._lost(fault) from fault
        return answer

    async def _stop(self, link: Link, late: str) -> rsp.Stop:
        try:
            return await link.stop(self._answer_timeout)
        except NoAnswer as fault:
            raise SourceLost(late, source=self.name) from fault
        except LinkError as fault:
            raise self._lost(fault) from fault

    def _check_alive(self, stop: rsp.Stop) -> None:
        if stop.ended:
            raise SourceLost("the program that the stub debugs has ended", source=self.name)

    def _unstopped(self) -> SourceLost:
        return SourceLost(
            f"stalled: the guest did not stop within {self._answer_timeout:g} s", source=self.name
        )

    def _stalled(self) -> SourceLost:
        return SourceLost(
            f"stalled: no answer from the stub within {self._answer_timeout:g} s", source=self.name
        )

    def _lost(self, error: LinkError) -> SourceLost:
        return SourceLost(str(error), source=self.name)


def _is_upper(address: int) -> bool:
    """Whether a 64-bit MIPS writes this 32-bit address with its sign extended."""
    return 0x8000_0000 <= address < 1 << 32
