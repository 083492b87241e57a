"""Models of the allocator: every policy there is, and those that recorded play rules out."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product

from bridge.planning.learning.geometry import Geometry
from bridge.planning.learning.hidden import Hidden, widest
from bridge.planning.learning.observed import Play, cells_of
from bridge.planning.learning.tracking import Explained, Operations, Tracker, operations
from bridge.planning.policy import End, Fit, HoleOrder, Merge, Policy

__all__ = ["Model", "Moment", "RuledOut", "Sifted", "all_policies", "policy_words", "sift"]

_SIMPLE = 2
"""Operations of a change that rules out most of the models at little cost: these come first."""


@dataclass(frozen=True, slots=True)
class RuledOut:
    """A model that did not explain what was seen, and where: the first place, and how often."""

    policy: Policy
    recording: str
    frame: int
    count: int


@dataclass(frozen=True, slots=True)
class Moment:
    """What may stand before the change with number ``change`` of the play with number ``play``."""

    play: int
    change: int


@dataclass(slots=True)
class Model:
    """A policy that explains all that was seen.

    The least rest lies from ``least`` to ``most`` (None: no limit), both included.  ``before`` is
    what may stand before each change, by the numbers of play and change; ``now`` what may stand at
    the end of each play.
    """

    policy: Policy
    least: int
    most: int | None
    before: Mapping[tuple[int, int], frozenset[Hidden]] = field(default_factory=dict)
    now: Mapping[int, frozenset[Hidden]] = field(default_factory=dict)
    both_ends: bool = False


@dataclass(slots=True)
class Sifted:
    """``left`` are the models that explain all; where there is none, ``nearest`` has those that
    fail least often.  ``undecided`` counts changes with more orders than were tried, of any model.

    ``both_ends`` says that allocations ask for an end of the arena of their own.
    """

    left: list[Model]
    ruled_out: list[RuledOut]
    nearest: list[RuledOut] = field(default_factory=list)
    undecided: int = 0
    both_ends: bool = False
    cut_short: bool = False


def all_policies() -> Iterator[Policy]:
    """Every combination that can be told apart at all; header, alignment and rest play no part."""
    for fit, order, tried, carved, merge, keeps_last in product(
        Fit, HoleOrder, End, End, Merge, (False, True)
    ):
        if fit is Fit.NEXT and order is HoleOrder.RECENT:
            continue  # next fit goes by address
        yield Policy(fit, order, tried, carved, merge=merge, keeps_last=keeps_last)


def policy_words(policy: Policy) -> str:
    """A policy in a line."""
    words = [f"{policy.fit} fit"]
    if policy.fit is not Fit.NEXT:
        words.append("by address" if policy.order is HoleOrder.ADDRESS else "the newest hole first")
    words.append(f"tried from {policy.tried_from}, carved from {policy.carved_from}")
    merging = {
        Merge.BOTH: "merged on both sides",
        Merge.NEXT: "merged with the next",
        Merge.PREVIOUS: "merged with the one before",
        Merge.WHEN_FULL: "merged when full",
        Merge.NEVER: "never merged",
    }
    words.append(merging[policy.merge])
    if policy.keeps_last:
        words.append("the last hole kept")
    return ", ".join(words)


def sift(
    plays: Sequence[Play],
    geometries: Mapping[str, Geometry],
    tell: Callable[[int, int, int], bool] = lambda done, of, left: True,
) -> Sifted:
    """The models that explain every change of all plays.

    Where none does, allocations may have asked for either end of the arena: those models are tried
    then.  *tell* is asked between changes with what is done, of how much, and how many models are
    left; False ends it, and what is left then is not all that would be ruled out.
    """
    asked = [
        [operations(change, geometries[play.build].strides) for change in play.changes]
        for play in plays
    ]
    found = _sift(plays, asked, tell, both_ends=False)
    if found.left or found.cut_short or not found.ruled_out:
        return found
    either = _sift(plays, asked, tell, both_ends=True)
    return either if either.left else found


def _sift(
    plays: Sequence[Play],
    asked: Sequence[Sequence[Operations]],
    tell: Callable[[int, int, int], bool],
    *,
    both_ends: bool,
) -> Sifted:
    trackers = [Tracker(policy, both_ends=both_ends) for policy in all_policies()]
    failed: dict[Policy, RuledOut] = {}
    sifted = Sifted([], [], both_ends=both_ends)
    # what is simple first, then all that is left through everything
    for limit in (_SIMPLE, None):
        again = [t for t in trackers if t.policy not in failed]
        trackers = [Tracker(t.policy, both_ends=both_ends) for t in again]
        run = _Run(plays, asked, trackers, failed, tell, limit)
        run.go()
        sifted.undecided = run.undecided
        sifted.cut_short = run.stopped
        if run.stopped:
            break
    sifted.ruled_out = list(failed.values())
    sifted.left = run.models(both_ends=both_ends)
    if not sifted.left and not sifted.cut_short:
        sifted.nearest = _nearest(plays, asked, tell, both_ends=both_ends)
    return sifted


def _nearest(
    plays: Sequence[Play],
    asked: Sequence[Sequence[Operations]],
    tell: Callable[[int, int, int], bool],
    *,
    both_ends: bool,
) -> list[RuledOut]:
    """The models that fail least often, where each fails somewhere."""
    trackers = [Tracker(policy, both_ends=both_ends) for policy in all_policies()]
    failed: dict[Policy, RuledOut] = {}
    _Run(plays, asked, trackers, failed, tell, None, to_the_end=True).go()
    least = min((each.count for each in failed.values()), default=0)
    return [each for each in failed.values() if each.count == least]


class _Run:
    """All models through all plays, change by change."""

    def __init__(
        self,
        plays: Sequence[Play],
        asked: Sequence[Sequence[Operations]],
        trackers: list[Tracker],
        failed: dict[Policy, RuledOut],
        tell: Callable[[int, int, int], bool],
        simple: int | None,
        *,
        to_the_end: bool = False,
    ) -> None:
        self._plays, self._asked, self._trackers = plays, asked, trackers
        self._failed, self._tell = failed, tell
        self._simple = simple
        self._to_the_end = to_the_end
        self.undecided = 0
        self.stopped = False
        self._before: dict[Policy, dict[tuple[int, int], frozenset[Hidden]]] = {}
        self._now: dict[Policy, dict[int, frozenset[Hidden]]] = {}

    def go(self) -> None:
        total = sum(map(len, self._asked))
        done = 0
        for number, (play, asked) in enumerate(zip(self._plays, self._asked, strict=True)):
            if play.first is None:
                continue
            for tracker in self._trackers:
                tracker.forget(cells_of(play.first))
            gaps = iter([*play.gaps, 1 << 80])
            gap = next(gaps)
            for at, (change, each) in enumerate(zip(play.changes, asked, strict=True)):
                unseen = False
                while gap < change.frame:
                    unseen, gap = True, next(gaps)
                self._change(number, at, each, unseen=unseen, gapless=change.gapless)
                done += 1
                if not self._tell(done, total, len(self._trackers)):
                    self.stopped = True
                    return
            for tracker in self._trackers:
                if gap < 1 << 80:
                    tracker.forget(cells_of(play.last or play.first))
                self._now.setdefault(tracker.policy, {})[number] = frozenset(tracker.hidden)

    def _change(
        self, number: int, at: int, asked: Operations, *, unseen: bool, gapless: bool
    ) -> None:
        passed_over = not gapless or (self._simple is not None and asked.count > self._simple)
        left: list[Tracker] = []
        for tracker in self._trackers:
            if unseen:
                tracker.forget(asked.before)
            if passed_over:
                tracker.forget(asked.after)
                left.append(tracker)
                continue
            if self._simple is None and not self._to_the_end:
                before = self._before.setdefault(tracker.policy, {})
                before[number, at] = frozenset(tracker.hidden)
            said = tracker.step(asked)
            self.undecided += said is Explained.TOO_MUCH
            if said is not Explained.NO:
                left.append(tracker)
                continue
            play = self._plays[number]
            was = self._failed.get(tracker.policy)
            if was is None:
                was = RuledOut(tracker.policy, play.name, play.changes[at].frame, 0)
            self._failed[tracker.policy] = RuledOut(
                was.policy, was.recording, was.frame, was.count + 1
            )
            if self._to_the_end:
                left.append(tracker)
            else:
                self._before.pop(tracker.policy, None)
        self._trackers = left

    def models(self, *, both_ends: bool) -> list[Model]:
        """Those that are left."""
        found = []
        for tracker in self._trackers:
            least, most = widest(tracker.hidden) if tracker.hidden else (1, None)
            policy = tracker.policy
            before, now = self._before.get(policy, {}), self._now.get(policy, {})
            found.append(Model(policy, least, most, before, now, both_ends))
        return found
