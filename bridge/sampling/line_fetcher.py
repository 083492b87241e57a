"""Lines of guest memory, fetched into the image of a frame in as few batches as can be.

For each frame one batch brings every line that the frame before touched; what is missing then comes
in further batches.  So a chain of three pointers costs three batches the first time and one from
then on.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

from bridge.builds.evidence import aligned_span
from bridge.memory.address_map import LINE_SHIFT, Span
from bridge.memory.byte_order import ByteOrder
from bridge.memory.counter import Counter
from bridge.memory.fetched import cut
from bridge.memory.image import Image
from bridge.ports.guest_reader import GuestReader
from bridge.ports.source import Opened, Source
from bridge.sampling.continuity import Continuity

__all__ = ["LineFetcher"]


class LineFetcher:
    """Fetches lines of one open source, and counts the batches in *continuity*.

    ``image`` holds what has been fetched of the frame at hand.  *marks* are spans that are needed
    with each frame, since they tell the build.
    """

    def __init__(
        self, source: Source, opened: Opened, marks: Sequence[Span], continuity: Continuity
    ) -> None:
        self.image = Image(opened.memory)
        self._source = source
        self._opened = opened
        self._memory = opened.memory
        self._marks = marks
        self._continuity = continuity
        self._reader = GuestReader(source, opened, ByteOrder.BIG)
        self._counter: Counter | None = None
        self._spans: list[Span] = []
        self._wanted: list[Span] = []
        self._learned = b""

    @property
    def order(self) -> ByteOrder:
        """The byte order in which the source holds the guest's bytes; big while it is unknown."""
        return self._reader.order

    def build_found(self, order: ByteOrder, counter: Counter | None) -> None:
        """The running build is known, and with it which *counter* numbers the frames."""
        self._reader = GuestReader(self._source, self._opened, order)
        self._counter = counter
        self.image = Image(self._memory)

    def build_lost(self) -> None:
        """No counter is known any more."""
        self._counter = None

    # fetching

    async def fetch_frame(self) -> None:
        """What the last frames touched, in one batch, in place of all that is there."""
        if not self.image.whole:
            self.image.clear()
            await self._fetch(self._spans)

    async def fetch_lines(self, lines: Collection[int]) -> None:
        """Further lines, in one batch."""
        await self._fetch(self._memory.spans(lines))

    async def fetch_whole(self) -> bool:
        """All of a source that stands still; false, and nothing of it, where it lacks a part."""
        parts = await self._reader.fetch(self._memory.whole())
        known = [part for part in parts if isinstance(part, bytes)]
        is_whole = len(known) == len(parts)
        self.image = Image.of(self._memory, known) if is_whole else Image(self._memory)
        return is_whole

    async def same_again(self, lines: Iterable[int]) -> bool:
        """Whether lines that are there are still the same at the source."""
        image, spans = self.image, self._memory.spans(lines)
        parts = await self._reader.fetch(spans)
        return all(
            not isinstance(part, bytes) or part == image.read(span.address, span.length)
            for span, part in zip(spans, parts, strict=True)
        )

    async def read_counter(self, counter: Counter) -> int | None:
        """A counter's value in a read of its own; None where the source does not hold it."""
        memory = self._memory
        span = aligned_span(memory, counter.address, counter.size)
        if span is None:
            return None
        (part,) = await self._reader.fetch([span])
        flat, start = memory.flat(counter.address, 1), memory.flat(span.address, 1)
        assert flat is not None
        assert start is not None
        word = cut(part, flat - start, counter.size)
        return None if word is None else counter.value(word)

    async def _fetch(self, spans: Sequence[Span]) -> None:
        if not spans:
            return
        self._continuity.count(batches=1)
        for span, part in zip(spans, await self._reader.fetch(spans), strict=True):
            if part is not None or span.length <= 1 << LINE_SHIFT:
                self.image.put(span, part)
                continue
            # a part of a longer span is not there: find out which of its lines are
            lines = _lines_of(span)
            for line, line_part in zip(lines, await self._reader.fetch(lines), strict=True):
                self.image.put(line, line_part)

    # which lines the next frame needs

    def expect(self, lines: Collection[int]) -> None:
        """The next frame needs *lines*, beside those that tell the build and the frame."""
        self._spans = self._memory.spans({*lines, *self.always()})
        self._want(self._spans)

    def expect_touched(self) -> None:
        """The next frame needs what this one has touched."""
        if not self.image.whole:
            self.expect(list(self.image.touched_lines()))

    def frame_taken(self) -> None:
        """The same; it costs little where this frame has touched what the last one did."""
        if not self.image.whole and (touched := bytes(self.image.touched)) != self._learned:
            self.expect_touched()
            self._learned = touched

    def expect_again(self) -> None:
        """A torn sample touched lines that the next will touch, too: fetch them with its others.

        A walk along many lines may else never get to its end within one frame.
        """
        if self.image.whole:
            return
        known = {line for span in self._spans for line in self._line_numbers(span)}
        touched = set(self.image.touched_lines())
        if not touched <= known:
            self._spans = self._memory.spans(known | touched)

    def want_always(self) -> None:
        """Tell the source that it lacks lines that are needed whatever the watches touch."""
        self._want(self._memory.spans(self.always()))

    def always(self) -> set[int]:
        """Lines that are needed whatever the watches touch: what tells the build and the frame."""
        spans = list(self._marks)
        if self._counter is not None:
            span = aligned_span(self._memory, self._counter.address, self._counter.size)
            if span is not None:
                spans.append(span)
        return {line for span in spans for line in self._line_numbers(span)}

    def _want(self, spans: list[Span]) -> None:
        if spans != self._wanted:
            self._wanted = spans
            self._source.want(spans)

    def _line_numbers(self, span: Span) -> range:
        flat = self._memory.flat(span.address, span.length)
        assert flat is not None
        return range(flat >> LINE_SHIFT, (flat + span.length - 1 >> LINE_SHIFT) + 1)


def _lines_of(span: Span) -> list[Span]:
    size = 1 << LINE_SHIFT
    return [
        Span(address, min(size, span.end - address))
        for address in range(span.address, span.end, size)
    ]
