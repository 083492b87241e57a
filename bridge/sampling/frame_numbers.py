"""Numbers of the frames of one source: the game's own counter, else the sender's, else ours."""

from __future__ import annotations

from bridge.memory.counter import Counter
from bridge.memory.image import Image
from bridge.ports.clock import Clock
from bridge.ports.source import Consistency, Source
from bridge.sampling.frame_count import Count, Follows, FrameCount

__all__ = ["SENT_TURN", "UNCOUNTED", "FrameNumbers"]

UNCOUNTED = "nobody counts the frames between two answers"
"""Why it is not known how many frames were missed."""

SENT_TURN = 1 << 32
"""Frame numbers that senders give have 32 bits."""


class FrameNumbers:
    """Numbers the samples of *source*; *count* judges how each frame follows the one before.

    ``numbered`` is whether the sample at hand has a number of the game's or of the sender's.
    ``earliest`` is when the game stood as sampled, at the earliest, in the seconds by which its
    frames are judged.  ``resumed`` is whether the frame before came from a source that was lost
    since, so that what lies between is nobody's to count.
    """

    def __init__(self, source: Source, clock: Clock, count: FrameCount) -> None:
        self.count = count
        self.numbered = False
        self.resumed = False
        self.earliest = self._latest = 0.0
        self._source = source
        self._clock = clock
        self._counter: Counter | None = None

    @property
    def last(self) -> int:
        """The number of the frame taken last, 0 where nothing is known of one."""
        return 0 if self.count.last is None else self.count.last.number

    @property
    def known(self) -> bool:
        """Whether a frame of this source has been taken since its build was found."""
        return self.count.last is not None and not self.resumed

    def build_found(self, counter: Counter | None) -> None:
        """Frames are numbered by *counter* from now on, where there is one."""
        self._counter = counter
        self.forget()

    def goes_on(self) -> None:
        """The count goes on that another source, or this one until it was lost, has shown."""
        self.resumed = self.count.last is not None

    def forget(self) -> None:
        """What comes next does not follow from what was."""
        self.count.forget()
        self.resumed = False

    def moment(self) -> float:
        """Now, in seconds by which the game's frames are judged."""
        moment = self._source.moment
        return self._clock.now() if moment is None else moment

    def turn(self, counter: Counter) -> int:
        """How many values a counter has that numbers frames as the build's own does, or with fewer
        bits: of the two that guard a frame either may have fewer."""
        own = self._counter
        return counter.turn if own is None else min(counter.turn, own.turn)

    # one sample

    def sample_begins(self) -> None:
        self.earliest = self.moment()

    def sample_ends(self) -> None:
        self._latest = self.moment()

    def of_sample(self, image: Image, sent: int | None) -> Count:
        """The frame's number, where *sent* is that of the sender; nothing changes by it."""
        numbered = self._read(image, sent)
        self.numbered = numbered is not None
        if numbered is None:
            follows, reason = Follows.IN_ORDER, ""
            if self.count.last is not None and not self._source.counts_frames:
                follows, reason = Follows.UNKNOWN, UNCOUNTED
            return Count(self.last + 1, self.last + 1, follows, reason)
        raw, turn = numbered
        # dumps come when they come: their frames go by no clock of ours
        if self._source.consistency is Consistency.STILL:
            return self.count.without_clock(raw, turn)
        return self.count.judge(raw, turn, self._latest)

    def is_last(self, count: Count) -> bool:
        """Whether a sample is of the frame that was taken last, looked at again."""
        last, counter = self.count.last, self._counter
        if last is None or counter is None or self.resumed:
            return False
        if count.raw != last.raw or count.follows is not Follows.IN_ORDER:
            return False
        self.count.still(counter.turn, self.earliest)
        return True

    def took(self, count: Count) -> int:
        """The frame was taken; gives how many of the game were skipped before it, as is known."""
        last = self.count.last
        skipped = 0
        if last is not None and not self.resumed and count.follows is not Follows.UNKNOWN:
            skipped = max(0, count.number - last.number - 1)
        self.resumed = False
        self.count.took(count, self.earliest, self._latest)
        return skipped

    def unclear(self, count: Count) -> str:
        """What to say where it is not known how many frames were missed; else empty."""
        if count.follows is not Follows.UNKNOWN:
            return ""
        last = self.count.last
        before = "" if last is None else f"{last.raw} to "
        after = f" after {count.seconds:.1f} s" if count.seconds else ""
        return f"{count.reason}: {before}{count.raw}{after}; the frames missed are not counted"

    def _read(self, image: Image, sent: int | None) -> tuple[int, int] | None:
        """The game's own number of the sampled frame, else the sender's; None without either.

        It comes with how many such numbers there are before they begin again.
        """
        counter = self._counter
        data = None if counter is None else image.read(counter.address, counter.size)
        if counter is not None and data is not None:
            return counter.value(data), counter.turn
        return None if sent is None else (sent, max(SENT_TURN, 1 << sent.bit_length()))
