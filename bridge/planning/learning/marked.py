"""Marks of whoever played: which change of the heap each of them means.

A key is pressed some frames late or early, and yet in the order in which things were done.  So
marks and changes are joined in their order: first so that as many marks as can be have a change of
their own, then so that the fewest frames lie between.  Where that can be done in two ways, nobody
knows which it was.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from bridge.planning.learning.observed import Change, Label, Play
from bridge.planning.learning.occurrences import attributed

__all__ = ["label_marked"]


def label_marked(play: Play, within: int, spread: Mapping[str, int]) -> Iterator[str]:
    """Label the changes that marks mean; gives what is not sure, in words.

    A mark means changes without another label, no more than *within* frames before or behind it.
    Those in frames in a row are one, and so are those no further from the first than the greatest
    *spread* of the marks' actions.
    """
    marks = sorted(set(play.marks))
    longest = max((spread.get(mark.action, 0) for mark in marks), default=0)
    firsts = list(_firsts(play, spread, longest))
    frames = [change.frame for change in firsts]
    numbers = [mark.frame for mark in marks]
    early = _joined(numbers, frames, within)
    turned = _joined([-n for n in reversed(numbers)], [-f for f in reversed(frames)], within)
    late = [None if at is None else len(frames) - 1 - at for at in reversed(turned)]
    taken = {*early, *late}
    for mark, one, other in zip(marks, early, late, strict=True):
        where = f"{play.name}, frame {mark.frame}: the mark {mark.action}"
        low = bisect_left(frames, mark.frame - within)
        reach = range(low, bisect_right(frames, mark.frame + within))
        if one is None or other is None or one != other:
            if not reach:
                yield f"{where} has no change of the heap without a label within {within} frames"
            elif one is None and other is None:
                yield f"{where} is left out: each change about it is another mark's"
            else:
                found = " or ".join(str(frames[at]) for at in (one, other) if at is not None)
                yield f"{where} is left out: whether it means frame {found} is not known"
            continue
        change = firsts[one]
        play.labels.append(Label(change.frame, mark.action, *change.states, change.held))
        beside = [str(frames[at]) for at in reach if at not in taken]
        if beside:
            yield (
                f"{where} was taken to mean frame {change.frame}; no label says what changed in "
                f"frame {', '.join(beside[:4])}{', …' if len(beside) > 4 else ''}"
            )


def _firsts(play: Play, spread: Mapping[str, int], longest: int) -> Iterator[Change]:
    """Of changes without a label that are one, the first."""
    first = last = None
    for _, number in attributed([play], spread).unlabelled:
        change = play.changes[number]
        if (
            first is None
            or last is None
            or (change.frame - last > 1 and change.frame - first > longest)
        ):
            first = change.frame
            yield change
        last = change.frame


@dataclass(frozen=True, slots=True)
class _Way:
    """How the marks so far are joined: how ``many`` are, with so many frames ``between`` (below
    zero: the more, the better), and what was chosen last."""

    many: int = 0
    between: int = 0
    mark: int = 0
    change: int = -1
    before: _Way | None = None

    @property
    def worth(self) -> tuple[int, int]:
        return self.many, self.between


def _joined(marks: Sequence[int], changes: Sequence[int], within: int) -> list[int | None]:
    """By mark the number of its change; both are in order.  Of ways that are as good as another the
    one with earlier changes."""
    ways = {-1: _Way()}
    for number, mark in enumerate(marks):
        low, high = bisect_left(changes, mark - within), bisect_right(changes, mark + within)
        # what ended before all that can come now differs only in its worth
        past = [way for last, way in sorted(ways.items()) if last < low]
        best = max(past, key=lambda way: way.worth)
        found = {-1: best} | {last: way for last, way in sorted(ways.items()) if last >= low}
        ways = dict(found)
        for at in range(low, high):
            with_it = _Way(best.many + 1, best.between - abs(changes[at] - mark), number, at, best)
            if at not in ways or with_it.worth > ways[at].worth:
                ways[at] = with_it
            if at in found and found[at].worth > best.worth:
                best = found[at]
    joined: list[int | None] = [None] * len(marks)
    way: _Way | None = max((way for _, way in sorted(ways.items())), key=lambda each: each.worth)
    while way is not None and way.before is not None:
        joined[way.mark] = way.change
        way = way.before
    return joined
