"""Which changes of the heap belong to which action, and which to none."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from bridge.heap.blocks import Block
from bridge.planning.learning.observed import Change, Play, allocations, releases

__all__ = ["Occurrence", "Occurrences", "attributed"]


@dataclass(frozen=True, slots=True)
class Occurrence:
    """One time that an action was done.

    ``changes`` are the numbers of the play's changes that it made, in a row; none where it changed
    nothing.  ``took`` is how many frames have passed since the action before it, None where there
    is none.
    """

    play: int
    frame: int
    changes: tuple[int, ...]
    took: int | None

    def released(self, plays: Sequence[Play]) -> list[Block]:
        """The blocks that went."""
        return [b for at in self.changes for b in releases(plays[self.play].changes[at])]

    def allocated(self, plays: Sequence[Play]) -> list[Block]:
        """The blocks that came."""
        return [b for at in self.changes for b in allocations(plays[self.play].changes[at])]

    def first(self, plays: Sequence[Play]) -> Change:
        """The first change."""
        return plays[self.play].changes[self.changes[0]]


@dataclass(slots=True)
class Occurrences:
    """What was attributed.

    ``mixed`` are frames, with their plays, in which several actions were done; ``unseen`` those of
    actions beside which frames were missed: both say nothing of what each action does.
    ``unlabelled`` are changes of no action, by numbers of play and change, and ``behind`` how often
    such a change came so few frames behind an action, by the action and that number.
    """

    by_action: dict[str, list[Occurrence]] = field(default_factory=dict)
    mixed: list[tuple[int, int, tuple[str, ...]]] = field(default_factory=list)
    unseen: list[tuple[int, int, str]] = field(default_factory=list)
    unlabelled: list[tuple[int, int]] = field(default_factory=list)
    behind: Counter[tuple[str, int]] = field(default_factory=Counter)


_NEARLY = 8
"""Frames behind an action within which a change without a label may be its own."""


def attributed(plays: Sequence[Play], spread: Mapping[str, int]) -> Occurrences:
    """The changes of all plays by what was done; *spread* is how many frames behind an action, by
    its name, its changes still come.  None comes behind the next action."""
    found = Occurrences()
    for number, play in enumerate(plays):
        frames: dict[int, list[str]] = {}
        for label in play.labels:
            frames.setdefault(label.frame, []).append(label.action)
        ordered = sorted(frames)
        owned: set[int] = set()
        at = 0
        for place, frame in enumerate(ordered):
            actions = frames[frame]
            following = ordered[place + 1] if place + 1 < len(ordered) else None
            last = frame + max(spread.get(action, 0) for action in actions)
            if following is not None:
                last = min(last, following - 1)
            while at < len(play.changes) and play.changes[at].frame < frame:
                at += 1
            inside: list[int] = []
            while at < len(play.changes) and play.changes[at].frame <= last:
                inside.append(at)
                at += 1
            owned.update(inside)
            if len(actions) > 1:
                found.mixed.append((number, frame, tuple(sorted(actions))))
                continue
            (action,) = actions
            if any(not play.changes[each].gapless for each in inside):
                found.unseen.append((number, frame, action))
                continue
            took = None if place == 0 else frame - ordered[place - 1]
            found.by_action.setdefault(action, []).append(
                Occurrence(number, frame, tuple(inside), took)
            )
        found.unlabelled += [(number, n) for n in range(len(play.changes)) if n not in owned]
        _note_behind(found, play, ordered, frames, owned)
    return found


def _note_behind(
    found: Occurrences,
    play: Play,
    ordered: Sequence[int],
    frames: Mapping[int, Sequence[str]],
    owned: set[int],
) -> None:
    last: int | None = None
    place = 0
    for at, change in enumerate(play.changes):
        while place < len(ordered) and ordered[place] <= change.frame:
            last = ordered[place]
            place += 1
        if at not in owned and last is not None and change.frame - last <= _NEARLY:
            for action in frames[last]:
                found.behind[action, change.frame - last] += 1
