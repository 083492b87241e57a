"""Source ``debugger``: a GDB remote serial protocol stub, as many emulators offer it.

Such a stub reads memory only while the guest is halted, so each sample halts it: an interrupt, the
reads, ``c``.  That takes time from the guest, which is measured and told where it is much.  In
between, nothing at all is sent, since some stubs halt the guest at any byte.  Who holds the guest
and what may be sent is kept by ``halts``; what to read in one go by ``read_plan``.

Each moment of a halt counts.  So what the last samples asked for is asked for in one burst behind
the stop; and where they asked for nothing else, the guest is let go behind the last answer, before
the answers are looked at.  A sample that does ask for something else then has the guest halted
again, and stands only where nothing of what it has seen is different now.

In the frame-exact mode a write watchpoint lies on the counter that ends a frame.

However a connection ends, the guest is let go with ``D``; only a process that is killed outright
cannot do that, and then the next connection lets it go.
"""

from __future__ import annotations

import asyncio
import socket
import time
from collections.abc import Callable, Sequence
from typing import ClassVar, ParamSpec, TypeVar

from adapters.listen_address import ListenAddress, listen_address
from adapters.sources.debugger import rsp
from adapters.sources.debugger.halts import Guest, GuestEnded, Halts, Watchpoint
from adapters.sources.debugger.read_plan import Addresses, Habit, Moment, ReadPlan
from adapters.sources.debugger.rsp_link import Burst, Link, LinkError, StopCame
from adapters.sources.debugger.talk import Talk
from bridge.memory.address_map import MemoryMap, Span
from bridge.ports.source import Cadence, Consistency, Opened, Source, Torn
from schemas.errors import SourceLost, SourceUnusable
from schemas.source_settings import DebuggerSource
from schemas.system_words import system_words

__all__ = [
    "ANSWER_TIMEOUT",
    "CLOSE_TIMEOUT",
    "MAX_TRIES",
    "MEASURE_FOR",
    "QUIET",
    "DebuggerStub",
    "P",
]

ANSWER_TIMEOUT = 2.0
CLOSE_TIMEOUT = 1.0
QUIET = 1.0
"""Seconds without a frame after which the guest is looked at all the same, in the frame-exact mode:
it may have been reset into another build, whose counter lies elsewhere."""
MEASURE_FOR = 3.0
MAX_TRIES = 3
"""Times that a read by itself is tried of a guest that others let go in its midst."""

P = ParamSpec("P")
T = TypeVar("T")


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
        clock: Callable[[], float] = time.perf_counter,
    ) -> None:
        """*answer_timeout* and *measure_for* are in seconds, as *clock* counts them.

        A halt is shorter than a step of Windows' monotonic clock.
        """
        super().__init__()
        self.settings = settings
        self._answer_timeout = answer_timeout
        self._clock = clock
        self._talk: Talk | None = None
        self._halts = Halts(tell=self.note_recurring, clock=clock, measure_for=measure_for)
        self._plan = ReadPlan(MemoryMap([]), rsp.DEFAULT_PACKET_SIZE // 2)
        self._addresses = Addresses(extended=settings.sign_extend)
        self._moment = Moment()
        self._habit = Habit()
        self._sampling = False

    @property
    def name(self) -> str:
        return f"debugger {self.settings.address}"

    @property
    def cadence(self) -> Cadence:
        """Trapped from the moment in which a counter is to be watched."""
        return Cadence.SPARING if self._halts.counter is None else Cadence.TRAPPED

    @property
    def consistency(self) -> Consistency:
        return Consistency.HALTED

    @property
    def taken(self) -> float:
        """Share of the guest's time that halting took, over the last measured seconds."""
        return self._halts.taken

    def know_counter(self, address: int, size: int) -> None:
        if self.settings.frame_exact:
            self._halts.want(Watchpoint(address, size))

    # opening and closing

    async def _open(self, guest: MemoryMap) -> Opened:
        await self._close()
        self._halts.want(None)
        where = self._where()
        try:
            talk = await self._connect(where)
        except (socket.gaierror, UnicodeError) as fault:
            raise SourceUnusable(f"no such host ({fault})", source=self.name) from fault
        except (OSError, TimeoutError) as fault:
            reason = system_words(fault) or "no answer"
            raise SourceLost(
                f"nothing answers there ({reason}): is the emulator running, with its stub on?",
                source=self.name,
            ) from fault
        try:
            await self._greet(talk, guest)
        except BaseException:
            await self._close()
            raise
        return Opened(guest, guest, absent_words="cannot be read through the debugger stub")

    async def _connect(self, where: ListenAddress) -> Talk:
        """Raises OSError, TimeoutError."""
        connecting = asyncio.create_task(Link.connect(where.host, where.port))
        try:
            async with asyncio.timeout(self._answer_timeout):
                link = await asyncio.shield(connecting)
        except BaseException:
            # a stub halts its guest when it is connected to: one whose connection nobody waits for
            # any longer has to be told to let it go
            await asyncio.wait([connecting], timeout=CLOSE_TIMEOUT)
            connecting.cancel()
            if connecting.done() and not connecting.cancelled() and not connecting.exception():
                self._halts.connected()
                self._talk = self._talk_over(connecting.result())
                await self._close()
            raise
        self._talk = self._talk_over(link)
        return self._talk

    def _talk_over(self, link: Link) -> Talk:
        return Talk(link, self.name, self._answer_timeout)

    async def _greet(self, talk: Talk, guest: MemoryMap) -> None:
        self._halts.connected()
        self._moment, self._habit = Moment(), Habit()
        self._sampling = False
        late = f"no answer in {self._answer_timeout:g} s: does another debugger use the stub?"
        (said,) = await talk.ask([b"qSupported"], late=late)
        able = rsp.features(said)
        self._plan = ReadPlan(guest, able.most_read)
        if able.no_ack and await talk.ask([b"QStartNoAckMode"]) == [b"OK"]:
            talk.link.client.no_more_acks()
        was_running = bool(talk.take_stops())
        talk.link.client.command(b"?")
        stop = await talk.stop("did not say why it is halted")
        self._judge(self._halts.greeted, stop, was_running=was_running)
        await self._resume()

    async def _close(self) -> None:
        talk, self._talk = self._talk, None
        if talk is None:
            return
        link, halts, parted = talk.link, self._halts, False
        try:
            async with asyncio.timeout(CLOSE_TIMEOUT):
                await self._part(talk)
            parted = True
        except (TimeoutError, LinkError, SourceLost):
            pass
        finally:
            if not halts.let_go and not halts.foreign and not link.lost:
                # whatever has become of the stub or of our patience: the last word lets it go
                if halts.guest is Guest.RUNNING:
                    # without this the first byte of the word itself would halt it
                    link.client.interrupt()
                link.client.detach()
                link.flush()
            link.close()
            halts.closed(parted=parted)

    async def _part(self, talk: Talk) -> None:
        """Leave no watchpoint behind and the guest as it would be without us.  Raises LinkError."""
        await self._halt(talk)
        await self._remove_watchpoint(talk)
        if self._halts.parting():
            await talk.link.detach()
        else:
            talk.link.flush()

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
        await self._hold_for(self._habit.ahead(), self._habit.is_steady)
        self._sampling = True
        self._habit.begins()

    async def _hold_for(self, spans: Sequence[Span], go_on: bool) -> None:
        """Halt the guest and read *spans* at once; *go_on* lets it go where all came whole."""
        await self._halt(self._connected(), spans, go_on)

    async def _release(self) -> None:
        if self._sampling:
            self._habit.ends()
        self._sampling = False
        if self._talk is None or self._talk.link.lost:
            return
        if self._halts.held:
            await self._resume()
        else:
            self._moment_is_over()
            self._halts.measure()

    async def _halt(self, talk: Talk, spans: Sequence[Span] = (), go_on: bool = False) -> None:
        """Until the guest stands still, by us or by others, or has been read and let go."""
        halts = self._halts
        if halts.guest in (Guest.RUNNING, Guest.HELD_BY_OTHERS):
            await talk.look()
            while talk.link.stops and not halts.held:
                await self._stopped_unasked(talk, talk.link.stops.popleft())
        if halts.held:
            return
        if halts.guest is Guest.HELD_BY_OTHERS:
            await self._probe(talk)
        elif spans and halts.may_burst and self._addresses.known_for(spans):
            await self._burst(talk, spans, go_on)
        else:
            await self._interrupt(talk)

    async def _interrupt(self, talk: Talk) -> None:
        if self._halts.interrupting():
            talk.link.client.interrupt()
        if self._judge(self._halts.stopped, await talk.interrupted()):
            await self._step_off(talk)

    async def _burst(self, talk: Talk, spans: Sequence[Span], go_on: bool) -> None:
        """Interrupt, and read *spans* in the moment in which the guest has stopped."""
        runs = self._plan.runs(spans)
        requests = [self._plan.requests(run) for run in runs]
        flat = [request for of_run in requests for request in of_run]
        burst = Burst(
            [(self._addresses.request(request), 2 * request.length) for request in flat],
            stopped=self._halts.stopped_at_once,
            whole=lambda: go_on and self._halts.going_on(),
        )
        if self._halts.interrupting():
            talk.link.client.interrupt()
        await talk.burst(burst)
        if not burst.came:
            # a stop for another reason: it has been left for this
            await self._interrupt(talk)
            return
        if burst.broken:
            await self._take_over(talk)
            return
        found = [
            None if answer is None else rsp.memory_of(answer, request.length)
            for answer, request in zip(burst.answers, flat, strict=True)
        ]
        self._keep(runs, requests, found)

    async def _probe(self, talk: Talk) -> None:
        """Whether others have let the guest go on: then it is halted now, and by us."""
        talk.link.client.nudge()
        began = self._clock()
        await talk.ask([self._addresses.request(Span(self._plan.anywhere, 1))])
        if self._judge(self._halts.probed, talk.take_stops(), began):
            await self._step_off(talk)

    async def _stopped_unasked(self, talk: Talk, stop: rsp.Stop) -> None:
        if self._judge(self._halts.stopped_unasked, stop):
            await self._step_off(talk)

    async def _take_over(self, talk: Talk) -> None:
        """Others have let the guest go while it was being asked, and the asking has halted it.

        The stub may have lost the beginning of what was asked.
        """
        at_frame = self._judge(self._halts.taken_over, talk.take_stops()[-1])
        await talk.fall_in_step()
        if at_frame:
            await self._step_off(talk)
        else:
            self._halts.lost_watchpoint()

    async def _resume(self) -> None:
        """Let the guest go on, unless it is not ours to let go."""
        talk = self._connected()
        task = asyncio.current_task()
        try:
            # a cancelled asker may have left answers under way, and is to end without delay
            if task is None or not task.cancelling():
                await self._set_watchpoint(talk)
        finally:
            # a guest must not stay halted because the last question was cut short
            self._moment_is_over()
            if self._halts.going_on():
                talk.link.client.command(b"c")
                talk.link.flush()
        self._halts.measure()

    def _moment_is_over(self) -> None:
        self._moment = Moment()
        self._habit.moment_is_over()

    # frame by frame

    async def _wait(self) -> int | None:
        talk, halts = self._connected(), self._halts
        if halts.misplaced:
            await self._halt(talk)
        if halts.held:
            await self._resume()
        while not halts.held:
            stop = await talk.quiet_stop(QUIET)
            if stop is None:
                await self._halt(talk)
            else:
                await self._stopped_unasked(talk, stop)
        return None

    async def _step_off(self, talk: Talk) -> None:
        """Let the write that was watched happen, and nothing more."""
        await self._remove_watchpoint(talk)
        talk.link.client.command(b"s")
        self._halts.stepping()
        stop = await talk.stop("stalled: one step of the guest did not end")
        self._judge(self._halts.stepped, stop)

    async def _remove_watchpoint(self, talk: Talk) -> None:
        if (watched := self._halts.removing()) is not None:
            await self._ask(self._watch_request(b"z2", watched), talk)

    async def _set_watchpoint(self, talk: Talk) -> None:
        if not self._halts.misplaced:
            return
        await self._remove_watchpoint(talk)
        counter = self._halts.setting()
        if counter is None:
            return
        answer = await self._ask(self._watch_request(b"Z2", counter), talk)
        if answer == b"OK":
            return
        said = "does not know them" if not answer else f"answered {answer[:20].decode('latin-1')}"
        self.notes.append(
            f"frame_exact needs write watchpoints, and the stub {said}: frames are sampled"
        )
        self._halts.refused()

    def _watch_request(self, kind: bytes, watchpoint: Watchpoint) -> bytes:
        return b"%s,%x,%x" % (kind, self._addresses.sent(watchpoint.address), watchpoint.size)

    # reading

    async def _fetch(self, spans: Sequence[Span]) -> list[bytes | None]:
        self._connected()
        if not spans:
            return []
        if self._sampling or self._halts.held:
            return await self._read(spans)
        # nothing else is asked of this moment
        self._habit.steady = 0
        for attempt in range(MAX_TRIES):
            await self._hold_for(spans, not attempt)
            try:
                return await self._read(spans)
            except Torn:
                continue
            finally:
                await self._release()
        raise SourceLost("the guest goes on while it is read, again and again", source=self.name)

    async def _read(self, spans: Sequence[Span]) -> list[bytes | None]:
        """What the spans hold; what was read in this halt still holds."""
        found = [self._moment.bytes_of(span) for span in spans]
        missing = [span for span, part in zip(spans, found, strict=True) if part is None]
        self._habit.asked += spans
        if not missing:
            return found
        first = self._moment.empty
        if not first:
            self._habit.surprised()
        if self._halts.held:
            # the sample before asked for these one after the other; together they cost one round
            ahead = self._habit.ahead() if first else []
            try:
                await self._read_anew([*missing, *ahead], missing, until_stop=True)
            except StopCame:
                await self._take_over(self._connected())
                await self._read_again()
        else:
            await self._read_again()
        return [self._moment.bytes_of(span) for span in spans]

    async def _read_anew(
        self, spans: Sequence[Span], needed: Sequence[Span], *, until_stop: bool = False
    ) -> None:
        """Raises StopCame as ``Link.ask`` does."""
        runs = self._plan.runs(spans)
        await self._read_runs(runs, until_stop)
        # a run that failed as a whole may fail by one of its spans only
        alone = [
            span
            for span in dict.fromkeys(needed)
            if span not in runs and self._moment.bytes_of(span) is None
        ]
        await self._read_runs(alone, until_stop)

    async def _read_again(self) -> None:
        """The guest went on too early: read all that this sample has asked for once more.

        Raises Torn where something of it has changed.
        """
        asked, before = list(self._habit.asked), self._moment
        self._moment = Moment()
        if not self._halts.held:
            await self._hold_for(asked, False)
        missing = [span for span in asked if self._moment.bytes_of(span) is None]
        await self._read_anew(missing, missing)
        for span in asked:
            old = before.bytes_of(span)
            if old is not None and old != self._moment.bytes_of(span):
                raise Torn("no whole frame: the guest went on inside a sample")

    async def _read_runs(self, runs: Sequence[Span], until_stop: bool) -> None:
        """Read each run in as many ``m`` as it needs; keeps those that came whole."""
        requests = [self._plan.requests(run) for run in runs]
        flat = [request for of_run in requests for request in of_run]
        found = await self._ask_memory(flat, until_stop)
        if doubtful := self._addresses.doubtful(flat, found):
            again = await self._ask_memory([flat[at] for at in doubtful], until_stop)
            if self._addresses.settled(again):
                self.notes.append("the stub wants addresses sign-extended to 64 bits: they are")
                for at, part in zip(doubtful, again, strict=True):
                    found[at] = part
        self._keep(runs, requests, found)

    def _keep(
        self,
        runs: Sequence[Span],
        requests: Sequence[Sequence[Span]],
        found: Sequence[bytes | None],
    ) -> None:
        """Remember the runs of which every piece has come."""
        at = 0
        for run, of_run in zip(runs, requests, strict=True):
            self._moment.keep(run, found[at : at + len(of_run)])
            at += len(of_run)

    async def _ask_memory(self, requests: Sequence[Span], until_stop: bool) -> list[bytes | None]:
        asked = [self._addresses.request(request) for request in requests]
        answers = await self._connected().ask(asked, until_stop=until_stop)
        return [
            rsp.memory_of(answer, request.length)
            for answer, request in zip(answers, requests, strict=True)
        ]

    # talking

    def _connected(self) -> Talk:
        talk = self._talk
        if talk is None:
            raise SourceLost("is closed", source=self.name)
        talk.check()
        return talk

    async def _ask(self, payload: bytes, talk: Talk) -> bytes:
        """The answer to what may be asked twice."""
        try:
            (answer,) = await talk.ask([payload], until_stop=True)
        except StopCame:
            await self._take_over(talk)
            (answer,) = await talk.ask([payload])
        return answer

    def _judge(self, judge: Callable[P, T], *stop: P.args, **more: P.kwargs) -> T:
        """What a stop means; raises SourceLost where it says that the guest is gone."""
        try:
            return judge(*stop, **more)
        except GuestEnded as fault:
            raise SourceLost(
                "the program that the stub debugs has ended", source=self.name
            ) from fault
