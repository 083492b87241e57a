"""Connection to a debugger stub: the protocol of ``rsp`` on a TCP socket, with time limits."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Sequence

from adapters.sources.debugger import rsp
from adapters.sources.sent_at_once import send_at_once
from schemas.system_words import system_words

__all__ = ["MAX_OUTSTANDING", "Burst", "Link", "LinkError", "NoAnswer", "StopCame"]

MAX_OUTSTANDING = 32
"""Requests that are sent ahead of their answers, so that neither side's buffers fill up."""


class LinkError(Exception):
    """The connection cannot be used any longer; the message says why."""


class NoAnswer(LinkError):
    """The stub took longer than it may."""


class StopCame(Exception):
    """The guest stopped while something was asked: it had been let go, and the asking halted it."""


class Burst:
    """Requests that go out in the moment in which a stop comes, and what came of them.

    A halted guest waits for us: so nothing is done between its stop and the last answer but to
    send, and ``c`` may go out with the acknowledgement of that answer.  ``wanted`` are the requests
    with the length of a right answer.  ``stopped`` is called with the stop that came, and says
    whether it is the awaited one; otherwise the stop is left to others and nothing is sent.
    ``whole`` is called once all answers have come and are as long as they should be, and says
    whether the guest is to go on.
    """

    def __init__(
        self,
        wanted: Sequence[tuple[bytes, int]],
        *,
        stopped: Callable[[rsp.Stop], bool],
        whole: Callable[[], bool],
    ) -> None:
        self.answers: list[bytes | None] = [None] * len(wanted)
        self.over = False
        self.broken = False
        """Whether a second stop came: the guest went on meanwhile, and what came means nothing."""
        self.came = 0
        """Answers that have come, and one more for the stop."""
        self._packets = [rsp.packet(payload) for payload, _ in wanted]
        self._lengths = [length for _, length in wanted]
        self._stopped = stopped
        self._whole = whole
        self._next = 0
        self._tickets: dict[int, int] = {}

    def take(self, event: rsp.Event, client: rsp.Client) -> bool:
        """Whether an event was for this; what is to be sent for it is left in *client*."""
        if self.over:
            return False
        if isinstance(event, rsp.Stop):
            if self.came:
                self.broken = self.over = True
                return False
            if not self._stopped(event):
                self.over = True
                return False
            self.came = 1
            self._ask(client)
            return True
        index = self._tickets.pop(event.ticket, None)
        if index is None:
            return False
        if isinstance(event, rsp.Damaged):
            self.over = True  # what has not come is asked for again, while the guest stands still
            return True
        self.came += 1
        self.answers[index] = event.data
        if self.came <= len(self._packets):
            self._ask(client)
            return True
        self.over = True
        found = [len(answer or b"") for answer in self.answers]
        if found == self._lengths and self._whole():
            client.command(b"c")
        return True

    def _ask(self, client: rsp.Client) -> None:
        while self._next < len(self._packets) and len(self._tickets) < MAX_OUTSTANDING:
            self._tickets[client.request_packet(self._packets[self._next])] = self._next
            self._next += 1


class Link(asyncio.Protocol):
    """One connection.  Bytes are taken in as they come; nothing is sent unless asked for.

    ``stops`` holds the stops that nobody has taken yet.
    """

    def __init__(self) -> None:
        self.stops: deque[rsp.Stop] = deque()
        self.client = rsp.Client()
        self.lost = ""
        """Why the connection cannot be used; empty while it can."""
        self._answers: deque[tuple[int, bytes | None]] = deque()
        self._transport: asyncio.Transport | None = None
        self._waiter: asyncio.Future[None] | None = None
        self._burst: Burst | None = None

    @classmethod
    async def connect(cls, host: str, port: int) -> Link:
        """Raises OSError."""
        _, link = await asyncio.get_running_loop().create_connection(cls, host, port)
        return link

    # what the event loop calls

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        send_at_once(transport)

    def data_received(self, data: bytes) -> None:
        if self.lost:
            return
        try:
            events = self.client.receive(data)
        except rsp.RspError as fault:
            self.lost = str(fault)
            events = []
        burst = self._burst
        came = 0 if burst is None else burst.came
        for event in events:
            if burst is not None and burst.take(event, self.client):
                continue
            match event:
                case rsp.Stop():
                    self.stops.append(event)
                case rsp.Answer(ticket, answer):
                    self._answers.append((ticket, answer))
                case rsp.Damaged(ticket):
                    self._answers.append((ticket, None))
        if burst is not None and burst.came > came:
            # at once: the guest stands still
            self.flush()
        # a bare acknowledgement is nothing to wake up for
        client = self.client
        if events or self.lost or client.has_to_send or client.detached:
            self._wake()

    def connection_lost(self, exc: Exception | None) -> None:
        if not self.lost:
            self.lost = "the stub closed the connection"
            if isinstance(exc, OSError):
                self.lost = f"the connection was cut ({system_words(exc) or exc})"
        self._wake()

    # talking

    async def ask(
        self, payloads: Sequence[bytes], seconds: float, *, until_stop: bool = False
    ) -> list[bytes]:
        """Send requests ahead of their answers; gives the answers in the requests' order.

        *seconds* is how long the next answer may take.  An answer that came damaged is asked for
        once more.  Raises LinkError, and with *until_stop* StopCame: the stop is left in ``stops``,
        and nothing may be asked before :meth:`fall_in_step`.
        """
        answers: dict[int, bytes] = {}
        waiting: dict[int, int] = {}
        todo = deque(range(len(payloads)))
        again: set[int] = set()
        loop = asyncio.get_running_loop()
        limit = loop.time() + seconds
        while len(answers) < len(payloads):
            while todo and len(waiting) < MAX_OUTSTANDING:
                index = todo.popleft()
                waiting[self.client.request(payloads[index])] = index
            self.flush()
            if not self._answers:
                await self._change(limit - loop.time())
            if until_stop and self.stops:
                raise StopCame
            while self._answers:
                ticket, answer = self._answers.popleft()
                asked = waiting.pop(ticket, None)
                if asked is None:
                    continue  # of a request whose asker was cancelled
                limit = loop.time() + seconds
                if answer is not None:
                    answers[asked] = answer
                elif asked in again:
                    raise LinkError("an answer came with a wrong checksum twice")
                else:
                    again.add(asked)
                    todo.append(asked)
        return [answers[index] for index in range(len(payloads))]

    async def fall_in_step(self, seconds: float) -> None:
        """Forget what was asked, some of which the stub may have missed.

        What it says again why it stands still comes behind all answers.  Raises LinkError, NoAnswer
        after *seconds*.
        """
        self.client.forget()
        self.client.command(b"?")
        await self.stop(seconds)
        self._answers.clear()

    async def stop(self, seconds: float, *, asked: bool = True) -> rsp.Stop:
        """The next stop, oldest first; *asked* tells that one is due to what was sent.

        Raises LinkError, NoAnswer after *seconds*.
        """
        loop = asyncio.get_running_loop()
        limit = loop.time() + seconds
        if asked:
            self.flush()
        while not self.stops:
            await self._change(limit - loop.time())
            if not self.stops:
                # a packet that was no stop, or a damaged one, wants its acknowledgement
                self.flush()
        return self.stops.popleft()

    async def burst(self, burst: Burst, seconds: float) -> None:
        """Send what is due, and see a burst through.

        *seconds* is how long the stop and each answer may take.  Raises LinkError, NoAnswer.
        """
        loop = asyncio.get_running_loop()
        self._burst = burst
        try:
            limit = loop.time() + seconds
            self.flush()
            while not burst.over:
                came = burst.came
                await self._change(limit - loop.time())
                if burst.came > came:
                    limit = loop.time() + seconds
                elif not burst.over:
                    # a packet that was no stop, or a damaged one, wants its acknowledgement
                    self.flush()
        finally:
            self._burst = None

    async def detach(self) -> None:
        """Let the guest go, and wait until the stub has said so or has closed the connection."""
        self.client.detach()
        self.flush()
        while not self.client.detached and not self.lost:
            await self._change(None)

    async def look(self) -> None:
        """Take in what has come already."""
        # a round to see that bytes are there, and a round to take them in
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        if self.lost:
            raise LinkError(self.lost)

    def flush(self) -> None:
        """Send what is due."""
        data = self.client.data_to_send()
        if data and self._transport is not None and not self._transport.is_closing():
            self._transport.write(data)

    def close(self) -> None:
        """Close once what is due has been sent."""
        if self._transport is not None:
            self._transport.close()

    async def _change(self, seconds: float | None) -> None:
        """Wait for bytes that matter, or *seconds*, or for ever where it is None.

        Raises LinkError, NoAnswer where no time is left to wait.
        """
        if self.lost:
            raise LinkError(self.lost)
        if seconds is not None and seconds <= 0:
            raise NoAnswer("no answer")
        loop = asyncio.get_running_loop()
        # one future and one timer and no more: the guest may stand still meanwhile
        self._waiter = waiter = loop.create_future()
        timer = None if seconds is None else loop.call_later(seconds, self._wake)
        try:
            await waiter
        finally:
            if timer is not None:
                timer.cancel()

    def _wake(self) -> None:
        if self._waiter is not None and not self._waiter.done():
            self._waiter.set_result(None)
