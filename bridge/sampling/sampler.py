"""Frames from a source: when one is there, which lines it needs, whether it is whole.

For each frame the sampler fetches in one batch every line that the frame before touched, evaluates,
and fetches what was missing in further batches, so that a chain of three pointers costs three
batches the first time and one from then on.  A source that vouches for nothing is sampled as a
seqlock reader samples: the counter that ended a frame is read first, then the lines, then the
counter that began it, in three separate reads, and the sample stands only where both are equal.
(One counter read before and after does not do: it stands still during the frame's work.)

Without a guard but with a frame counter, a sample is taken right after the counter changed, twice,
and stands where both are equal; that is likelier to be whole, not certain, and is called unguarded.
"""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Self

from bridge.builds.evidence import Identity, aligned_span
from bridge.builds.identifier import Identifier
from bridge.evaluation.condition_view import ConditionView
from bridge.evaluation.evaluator import Evaluator
from bridge.evaluation.frame_readings import frame_readings
from bridge.memory.address_map import LINE_SHIFT, Span
from bridge.memory.byte_order import ByteOrder
from bridge.memory.fetched import cut
from bridge.memory.image import Image
from bridge.ports.guest_reader import GuestReader
from bridge.ports.source import Consistency, Opened, Source, Torn
from bridge.prepared import Counter, PreparedBuild
from bridge.readings.frame import Frame, Stats
from bridge.readings.reading import Reading, Watch
from bridge.sampling.continuity import Continuity
from bridge.sampling.counter_pace import AGAIN, JUMPED, RESET
from bridge.sampling.frame_clock import FramePhase
from bridge.sampling.frame_count import Count, Follows
from bridge.sampling.setup import SamplingSetup
from bridge.values.status import Status

NOT_WHOLE = "no whole frame"
"""How the note of a frame begins of which no sample was whole."""
MAX_TRIES = 400
MAX_TRY = 0.25
IDENTIFY_EVERY = 0.25
SHORTEST_POLL = 0.001
RATE_SLACK = 0.99
"""A game that is a little faster than the rate (60.1 for 60) is not to lose frames for that."""
WITHOUT_FRAME = 0.1
"""Seconds without a frame after which a new question is answered from the last one."""
SENT_TURN = 1 << 32
"""Frame numbers that senders give have 32 bits."""


@dataclass(frozen=True, slots=True)
class _Proof:
    """How the sample at hand was known to be whole.

    By ``guard``, whose second counter was ``ended``, or by being the same when read ``twice``.
    """

    prepared: PreparedBuild
    guard: tuple[Counter, Counter] | None
    twice: bool
    ended: int | None


class Sampler:
    """Takes frames from one open source, which holds what *opened* says.

    *continuity* is what goes on from the source before, where there was one: counts, and the state
    that spans frames, unless the game's own counter has gone back.
    """

    def __init__(
        self,
        source: Source,
        setup: SamplingSetup,
        opened: Opened,
        continuity: Continuity | None = None,
    ) -> None:
        self.source = source
        self.prepared_builds = setup.prepared_builds
        self.opened = opened
        self.memory = opened.memory
        self.rate = setup.rate
        self.prepared: PreparedBuild | None = None
        self._clock = setup.clock
        self._continuity = continuity or Continuity(setup.clock)
        self._count_on = self._continuity.source_opened(opened)
        self._questions = self._continuity.questions
        self._lag = self.stats.lag
        self._evaluator: Evaluator | None = None
        self._image = Image(self.memory)
        self._spans: list[Span] = []
        self._learned = b""
        self._identifier = Identifier(source, setup.prepared_builds, opened, setup.declared)
        self._reader = GuestReader(source, opened, ByteOrder.BIG)
        self._wanted: list[Span] = []
        self._begun = source.passes
        self._proof: _Proof | None = None
        self._ask_again_at = 0.0
        self._resumed = False
        self._unheld = ""
        self._next_time = self._clock.now()
        self._phase = FramePhase(1 / self.rate / 8)
        self._numbered = False
        self._earliest = self._latest = 0.0
        self._last: Frame | None = None
        self._standing: Frame | None = None

    @classmethod
    async def open(
        cls, source: Source, setup: SamplingSetup, continuity: Continuity | None = None
    ) -> Self:
        """Open *source* and take frames from it.  Raises SourceError and its leaves."""
        return cls(source, setup, await source.open(setup.memory), continuity)

    @property
    def stats(self) -> Stats:
        """The counts so far, those of the sources before among them."""
        return self._continuity.stats

    def _counts(self, **counts: int) -> None:
        """Add to the counts."""
        stats = self.stats
        more = {name: getattr(stats, name) + count for name, count in counts.items()}
        self._continuity.stats = replace(stats, **more)

    @property
    def watches(self) -> Sequence[Watch]:
        """The watches of the running build; of the first where none is known."""
        prepared = self.prepared or next(iter(self.prepared_builds.values()))
        return prepared.watches

    @property
    def order(self) -> ByteOrder:
        """The byte order in which the source holds the guest's bytes; big while it is unknown."""
        return self._reader.order

    @property
    def consistency(self) -> str:
        """Why this source's frames can be taken for whole, if they can."""
        vouched = self.source.consistency
        if vouched is Consistency.UNGUARDED and self.prepared is not None and self.prepared.guard:
            return Consistency.GUARDED
        return vouched

    async def next(self) -> Frame:
        """Wait for a new frame and evaluate it.

        Raises SourceLost when the source is gone, and SourceUnusable where it holds no build that
        the schema knows and never will.
        """
        while True:
            self._prepare_questions()
            number = await self._wait()
            self._standing = None
            if self.prepared is None:
                reason = await self._identify()
                if reason:
                    self._no_frame(reason)
                    frame = self._waiting(reason)
                    if self._last is None or self._last.note != reason:
                        self._last = frame
                        return frame
                    if not self.source.cadence.announced:
                        await self._clock.sleep(IDENTIFY_EVERY)
                    continue
                self._prepare_questions()
            try:
                frame_or_none = await self._take(number)
            except Torn as fault:
                self._counts(unwhole=1)
                last = self._last or self._waiting(str(fault))
                self._last = last
                self._no_frame(str(fault))
                return replace(last.stale(str(fault), self._clock.now()), stats=self.stats)
            if frame_or_none is not None:
                self._last = self._standing = frame_or_none
                self._ask_again_at = self._clock.now() + WITHOUT_FRAME
                return frame_or_none

    # when

    async def _wait(self) -> int | None:
        """Until a new frame is there; gives the sender's number of it."""
        cadence = self.source.cadence
        if cadence.announced:
            return await self.source.wait()
        prepared = self.prepared
        known = prepared is not None and self._count_on.last is not None and not self._resumed
        period = 1 / self.rate
        if known and prepared is not None and prepared.frame is not None and not cadence.costly:
            counter = prepared.frame
            if prepared.guard is not None and counter == prepared.guard[0]:
                counter = prepared.guard[1]  # the same count, once the frame's work is done
            await self._wait_for_end(counter)
            period *= RATE_SLACK
        else:
            await self._clock.sleep_until(self._next_time)
        # a late frame may be followed early by the next, so that the mean rate is kept
        now = self._clock.now()
        self._next_time = max(self._next_time + period, now - period)
        return None

    async def _wait_for_end(self, counter: Counter) -> None:
        """Until the game's counter has moved on: look often only while that is expected."""
        phase, count_on, turn = self._phase, self._count_on, self._turn(counter)
        await self._clock.sleep_until(phase.first_look(max(self._next_time, self._clock.now())))
        first_look, not_before = self._clock.now(), None
        # the guest cannot set an event: its memory is all there is to look at
        while True:
            looked = self._clock.now()
            number = await self._count(counter)
            if number is None or not count_on.same(number, turn):
                break
            count_on.still(turn, looked)
            not_before = self._clock.now()
            if self._questions is not None and not_before >= self._ask_again_at:
                await self.answer_standing()
            await self._clock.sleep_until(not_before + phase.pause(not_before - first_look))
        if number is not None:
            phase.saw(count_on.number_of(number, turn), self._clock.now(), not_before)

    # questions

    async def answer_standing(self) -> bool:
        """Answer new questions from the last frame, where no newer one has come.

        Whether every question has some answer now; false while a frame is being taken.

        This is done by itself while the game's counter is looked at.  Of a source that announces
        its frames it may be called while :meth:`next` waits, and then only uses what is there; of
        one that stands still, afterwards.
        """
        frame, questions = self._standing, self._questions
        self._ask_again_at = self._clock.now() + WITHOUT_FRAME
        if frame is None or questions is None:
            return False
        answered = await questions.between_frames(
            frame.number, frame.time, may_fetch=not self.source.cadence.announced
        )
        if not self._image.whole:
            self._learn(list(self._image.touched_lines()))
        return answered

    def _prepare_questions(self) -> None:
        prepared, main = self.prepared, self._evaluator
        if self._questions is not None and prepared is not None and main is not None:
            self._questions.before_frame(prepared, main, self._last_number())

    def _no_frame(self, reason: str) -> None:
        if self._questions is not None:
            self._questions.no_frame(reason)

    async def _ask(
        self,
        prepared: PreparedBuild,
        guard: tuple[Counter, Counter] | None,
        twice: bool,
        ended: int | None,
    ) -> None:
        """Evaluate the questions on the sample at hand, of which the watches are whole."""
        image, main = self._image, self._evaluator
        assert main is not None
        if self._questions is None:
            return
        self._proof = _Proof(prepared, guard, twice, ended)
        watched = bytes(image.touched) if twice else b""

        async def confirm() -> bool:
            new = [n for n in image.touched_lines() if not watched[n] and image.held[n]]
            return await self._same_again(new)

        await self._questions.on_sample(
            *(prepared, main, image, self._fetch_late), confirm if twice else None
        )

    async def _fetch_late(self, lines: set[int]) -> bool:
        """Lines that come after the sample; false, and none of them, where it stands no more."""
        sound = False
        with contextlib.suppress(Torn):
            await self._fetch(self.memory.spans(lines))
            sound = await self._stands(lines)
        if not sound:
            self._image.drop(lines)
        return sound

    async def _stands(self, lines: Collection[int]) -> bool:
        """Whether the game is still in the frame of the last sample, as far as can be known."""
        assert self._proof is not None
        proof, frame = self._proof, self._proof.prepared.frame
        if proof.guard is not None:
            return await self._passes(proof.guard, proof.ended)
        if not proof.twice:
            return True
        assert frame is not None
        counted = self._image.read(frame.address, frame.size)
        return (
            await self._same_again(lines)
            and counted is not None
            and await self._count(frame) == frame.value(counted)
        )

    # which build

    async def _identify(self) -> str:
        """Find the running build and the byte order; gives a reason where that is not possible."""
        found = await self._identifier.find(
            lambda: self._want(self.memory.spans(self._extra_lines()))
        )
        if isinstance(found, str):
            return found
        self._bind(found)
        return ""

    def _bind(self, identity: Identity) -> None:
        prepared = self.prepared_builds[identity.build]
        self._reader = GuestReader(self.source, self.opened, identity.order)
        self.prepared = prepared
        whole = self.source.consistency is Consistency.STILL
        self._image = Image(self.memory)
        self._evaluator = None
        self._count_on.forget()
        self._resumed = False
        counter = prepared.guard[1] if prepared.guard else prepared.frame
        if counter is not None:
            self.source.know_counter(counter.address, counter.size)
        if not whole:
            self._evaluator = self._make_evaluator(prepared, whole=False)
            self._learn(sorted(self._evaluator.static_lines))

    def _make_evaluator(self, prepared: PreparedBuild, *, whole: bool) -> Evaluator:
        evaluator = Evaluator(
            *(prepared.program, prepared.layout, self.memory),
            whole=whole,
            processor_time=self._clock.processor_time,
        )
        evaluator.guest = self.opened.guest
        evaluator.absent_status = self.opened.absent_status
        evaluator.absent_words = self.opened.absent_words
        if self._continuity.build_found(prepared, evaluator, self._count_on):
            self._resumed = self._count_on.last is not None
        return evaluator

    # taking a frame

    async def _take(self, sent: int | None) -> Frame | None:
        """One frame, taken again until it is whole; None where the build has changed meanwhile."""
        prepared = self.prepared
        assert prepared is not None
        if self._evaluator is None or (self._image.whole and self.source.cadence.announced):
            await self._fetch_whole(prepared)
        evaluator = self._evaluator
        assert evaluator is not None
        stopped = self.source.consistency is Consistency.HALTED
        unvouched = self.source.consistency is Consistency.UNGUARDED
        guard = prepared.guard if stopped or unvouched else None
        twice = guard is None and prepared.frame is not None and unvouched
        began_trying, tries = self._clock.now(), 0
        while True:
            count = None
            # a source that could not keep the sample to one moment says so by itself
            with contextlib.suppress(Torn):
                async with self.source.held_still():
                    count = await self._attempt(prepared, guard, twice, sent)
            if count is not None:
                break
            tries += 1
            self._counts(torn=1)
            if tries >= MAX_TRIES or self._clock.now() - began_trying > MAX_TRY:
                raise Torn(f"{NOT_WHOLE}: {self._torn_words(guard)}")
            self._expect_again()
            await self._clock.sleep(SHORTEST_POLL / 2)
        if not self._still_recognised(prepared):
            self.prepared = None
            self._continuity.build_lost()
            self._continuity.cut_off("the game is not recognised any more")
            return None
        if (
            self.source.cadence.costly
            and prepared.frame is not None
            and self._is_still(prepared, count)
        ):
            if self._questions is not None and self._last is not None:
                self._questions.same_frame(self._last.number, self._last.time)
            return None
        return self._accept(prepared, count)

    def _torn_words(self, guard: tuple[Counter, Counter] | None) -> str:
        if guard is None:
            return "two equal samples were never seen"
        if self._unheld:
            return f"the source does not hold {self._unheld}"
        return f"{guard[0].name} and {guard[1].name} never agreed"

    async def _attempt(
        self,
        prepared: PreparedBuild,
        guard: tuple[Counter, Counter] | None,
        twice: bool,
        sent: int | None,
    ) -> Count | None:
        """Sample and evaluate once; gives the frame's number, None where the sample is torn."""
        evaluator, image = self._evaluator, self._image
        assert evaluator is not None
        self._earliest = self._moment()
        ended = await self._count(guard[1]) if guard else None
        if not image.whole:
            image.clear()
            await self._fetch(self._spans)
        if guard and not await self._passes(guard, ended):
            return None
        self._latest = self._moment()
        if self.source.passes != self._begun:
            self._begun = self.source.passes
            self._forget(evaluator, AGAIN)
        counted = self._frame_number(prepared, sent)
        self._numbered = counted is not None
        count = self._judged(counted)
        if count.follows in (Follows.RESET, Follows.JUMPED):
            # two halves of a counter that is read in its midst are no reset
            if twice and not await self._same_again(self._extra_lines()):
                return None
            self._count_on.was_too_fast(count)
            self._forget(evaluator, RESET if count.follows is Follows.RESET else JUMPED)
            count = self._judged(counted)
        missing, again = evaluator.evaluate(image, count.number), False
        while missing:
            await self._fetch(self.memory.spans(missing))
            missing, again = evaluator.evaluate(image, count.number, again=True), True
        if guard and again and not await self._passes(guard, ended):
            return None
        if twice and not await self._same_again(image.touched_lines()):
            return None
        await self._ask(prepared, guard, twice, ended)
        return count

    async def _passes(self, guard: tuple[Counter, Counter], ended: int | None) -> bool:
        """Whether no frame has begun since the one that had ended when the lines were read."""
        began = await self._count(guard[0])
        values = zip(reversed(guard), (ended, began), strict=True)
        self._unheld = next((counter.name for counter, value in values if value is None), "")
        if began is None or ended is None:
            return False  # two counters that are not held would agree
        turn = min(guard[0].turn, guard[1].turn)
        # what may have gone round meanwhile agrees by chance
        late = self._moment() - max(self._earliest, self._count_on.earliest)
        return (began - ended) % turn == 0 and not self._count_on.may_go_round(turn, late)

    async def _same_again(self, lines: Iterable[int]) -> bool:
        image = self._image
        spans = self.memory.spans(lines)
        parts = await self._reader.fetch(spans)
        return all(
            not isinstance(part, bytes) or part == image.read(span.address, span.length)
            for span, part in zip(spans, parts, strict=True)
        )

    def _accept(self, prepared: PreparedBuild, count: Count) -> Frame:
        evaluator = self._evaluator
        assert evaluator is not None
        evaluator.commit()
        number, last = count.number, self._count_on.last
        skipped = unclear = 0
        if count.follows is Follows.UNKNOWN:
            unclear = 1
            if words := self._continuity.unclear.came(_unclear_words(count, last)):
                self.source.notes.append(words)
        elif last is not None and number > last.number + 1 and not self._resumed:
            skipped = number - last.number - 1
        self._resumed = False
        self._count_on.took(count, self._earliest, self._latest)
        lag = self._lag + self._phase.lag - self.stats.lag
        self._counts(frames=1, skipped=skipped, unclear=unclear, lag=lag)
        if not self._image.whole:
            touched = bytes(self._image.touched)
            if touched != self._learned:
                self._learn(list(self._image.touched_lines()))
                self._learned = touched
        make = frame_readings(evaluator, prepared.watches, prepared.program.watches)
        now, since = self._clock.time_of_day(), self._clock.now()
        if self._questions is not None:
            self._questions.after_frame(number, now)
        practice = None
        practising, standstill = self._continuity.practising, self._continuity.standstill
        if practising is not None:
            if standstill is not None and (stood := standstill.noticed()):
                practising.stood_still(stood)
            practice = practising.take(
                *(ConditionView(evaluator), now, make),
                ticks=since,
                numbered=self._numbered,
                unclear=count.reason,
            )
        return Frame(
            number,
            now,
            prepared.layout.name,
            self.source.name,
            str(self.consistency),
            make,
            self.stats,
            practice=practice,
            heap=evaluator.heap_seen,
            paths=self.source.paths,
            ticks=since,
        )

    def _waiting(self, reason: str) -> Frame:
        watches = list(self.watches)

        def make() -> list[Reading]:
            return [Reading(watch, Status.WAITING, reason=reason) for watch in watches]

        practising = self._continuity.practising
        practice = practising.practice if practising is not None else None
        return Frame(
            *(0, self._clock.time_of_day(), "", self.source.name, str(self.consistency), make),
            *(self.stats, reason, practice),
            paths=self.source.paths,
            ticks=self._clock.now(),
        )

    # frame numbers

    def _frame_number(self, prepared: PreparedBuild, sent: int | None) -> tuple[int, int] | None:
        """The game's own number of the sampled frame, else the sender's; None without either.

        It comes with how many such numbers there are before they begin again.
        """
        counter = prepared.counter
        by_sender = None if sent is None else (sent, max(SENT_TURN, 1 << sent.bit_length()))
        if counter is None:
            return by_sender
        data = self._image.read(counter.address, counter.size)
        if data is None:
            return by_sender
        return counter.value(data), counter.turn

    def _turn(self, counter: Counter) -> int:
        """How many values a counter has that numbers frames as the plan's own does, or with fewer
        bits: of the two that guard a frame either may have fewer."""
        own = self.prepared.counter if self.prepared is not None else None
        return counter.turn if own is None else min(counter.turn, own.turn)

    def _last_number(self) -> int:
        last = self._count_on.last
        return 0 if last is None else last.number

    def _moment(self) -> float:
        """Now, in seconds by which the game's frames are judged."""
        moment = self.source.moment
        return self._clock.now() if moment is None else moment

    def _judged(self, counted: tuple[int, int] | None) -> Count:
        """The frame's number by its counter, else one more than the last."""
        count_on = self._count_on
        if counted is None:
            number = 1 if count_on.last is None else count_on.last.number + 1
            return Count(number, number)
        raw, turn = counted
        # dumps come when they come: their frames go by no clock of ours
        if self.source.consistency is Consistency.STILL:
            return count_on.without_clock(raw, turn)
        return count_on.judge(raw, turn, self._latest)

    def _is_still(self, prepared: PreparedBuild, count: Count) -> bool:
        """Whether it is the frame that was taken last, looked at again."""
        last, counter = self._count_on.last, prepared.counter
        if last is None or counter is None or self._resumed:
            return False
        if count.raw != last.raw or count.follows is not Follows.IN_ORDER:
            return False
        self._count_on.still(counter.turn, self._earliest)
        return True

    def _forget(self, evaluator: Evaluator, reason: str) -> None:
        """What spans frames begins again."""
        self._counts(resets=1)
        self._count_on.forget()
        self._resumed = False
        evaluator.clear()
        if self._questions is not None:
            self._questions.forget()
        self._continuity.cut_off(reason)

    async def _count(self, counter: Counter) -> int | None:
        """A counter's value in a read of its own; None where the source does not hold it."""
        span = aligned_span(self.memory, counter.address, counter.size)
        if span is None:
            return None
        (part,) = await self._reader.fetch([span])
        flat, start = self.memory.flat(counter.address, 1), self.memory.flat(span.address, 1)
        assert flat is not None
        assert start is not None
        word = cut(part, flat - start, counter.size)
        if word is None:
            return None
        return counter.value(word)

    # lines

    async def _fetch(self, spans: Sequence[Span]) -> None:
        if not spans:
            return
        self._counts(batches=1)
        for span, part in zip(spans, await self._reader.fetch(spans), strict=True):
            if part is not None or span.length <= 1 << LINE_SHIFT:
                self._image.put(span, part)
                continue
            # a part of a longer span is not there: find out which of its lines are
            lines = self._lines_of(span)
            for line, line_part in zip(lines, await self._reader.fetch(lines), strict=True):
                self._image.put(line, line_part)

    def _lines_of(self, span: Span) -> list[Span]:
        size = 1 << LINE_SHIFT
        return [
            Span(address, min(size, span.end - address))
            for address in range(span.address, span.end, size)
        ]

    async def _fetch_whole(self, prepared: PreparedBuild) -> None:
        """All of a source that stands still, once."""
        parts = await self._reader.fetch(self.memory.whole())
        known = [part for part in parts if isinstance(part, bytes)]
        if len(known) == len(parts):
            self._image = Image.of(self.memory, known)
            if self._evaluator is None:
                self._evaluator = self._make_evaluator(prepared, whole=True)
            return
        self._image = Image(self.memory)
        self._evaluator = self._make_evaluator(prepared, whole=False)
        self._learn(sorted(self._evaluator.static_lines))

    def _expect_again(self) -> None:
        """A torn sample touched lines that the next will touch, too: fetch them with its others.

        A walk along many lines may else never get to its end within one frame.
        """
        image = self._image
        if image.whole:
            return
        known = {line for span in self._spans for line in self._line_numbers(span)}
        touched = set(image.touched_lines())
        if not touched <= known:
            self._spans = self.memory.spans(known | touched)

    def _learn(self, lines: Sequence[int]) -> None:
        """The lines to fetch with the next frame: those touched, and those that tell the build."""
        self._spans = self.memory.spans({*lines, *self._extra_lines()})
        self._want(self._spans)

    def _want(self, spans: list[Span]) -> None:
        if spans != self._wanted:
            self._wanted = spans
            self.source.want(spans)

    def _extra_lines(self) -> set[int]:
        """Lines that are needed whatever the watches touch: what tells the build and the frame."""
        spans = list(self._identifier.marks)
        prepared = self.prepared
        if prepared is not None and prepared.counter is not None:
            span = aligned_span(self.memory, prepared.counter.address, prepared.counter.size)
            if span is not None:
                spans.append(span)
        lines: set[int] = set()
        for span in spans:
            lines.update(self._line_numbers(span))
        return lines

    def _line_numbers(self, span: Span) -> range:
        flat = self.memory.flat(span.address, span.length)
        assert flat is not None
        return range(flat >> LINE_SHIFT, (flat + span.length - 1 >> LINE_SHIFT) + 1)

    def _still_recognised(self, prepared: PreparedBuild) -> bool:
        """Whether the evidence still stands; bytes that the source does not hold prove nothing."""
        for mark in prepared.layout.evidence:
            data = self._image.read(mark.address, len(mark.data))
            if data is not None and data != mark.data:
                return not self._identifier.recognised
        return True


def _unclear_words(count: Count, last: Count | None) -> str:
    """What to say where it is not known how many frames were missed."""
    before = "" if last is None else f"{last.raw} to "
    after = f" after {count.seconds:.1f} s" if count.seconds else ""
    return f"{count.reason}: {before}{count.raw}{after}; the frames missed are not counted"
