"""What is learned, in lines for people."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from bridge.heap.events import Happened
from bridge.planning.actions import Alloc, Effect, Free, Which
from bridge.planning.learning.effects import LearnedAction
from bridge.planning.learning.geometry import Geometry
from bridge.planning.learning.learned import Learned
from bridge.planning.learning.models import policy_words
from bridge.planning.learning.tables import effect_text, evidence, ways_of
from bridge.planning.simulation import order_matters

__all__ = ["report"]

_SHOWN = 8
"""Models, ways and changes that are told by themselves."""


def report(learned: Learned, names: Sequence[str]) -> Iterator[str]:
    """The lines; *names* are the recordings', by play."""
    frames = sum(play.frames for play in learned.plays)
    changes = sum(len(play.changes) for play in learned.plays)
    builds = ", ".join(learned.geometries)
    yield f"{_counted(frames, 'frame')} of {builds}, {_counted(changes, 'change')} of the heap"
    for play, name in zip(learned.plays, names, strict=True):
        if play.cut:
            yield f"{name}: there were more changes than are kept"
    yield ""
    for geometry in learned.geometries.values():
        yield from _sizes(geometry)
    yield ""
    yield from _models(learned)
    for action in learned.actions:
        yield ""
        yield from _action(action, names)
    yield from _unknown(learned, names)


def _sizes(seen: Geometry) -> Iterator[str]:
    low, high = seen.alignment
    alignment = str(high) if low == high else f"{low} to {high}"
    headers = " or ".join(f"0x{each:X}" for each in seen.headers) or "none"
    yield f"{seen.build}: header {headers}, alignment {alignment}"
    sizes = [f"{kind} 0x{stride - seen.header:X}" for kind, stride in sorted(seen.strides.items())]
    yield f"  payloads: {', '.join(sizes)}"
    if seen.varied:
        yield f"  of different sizes: {', '.join(sorted(seen.varied))}; what is asked is not known"
    touching = seen.touching
    for word, count, apart in (
        ("before", touching.before, touching.before_apart),
        ("behind", touching.behind, touching.behind_apart),
    ):
        if count:
            joined = f"{count - apart} of {count} times"
            yield f"  a released block was joined with the hole {word} it {joined}"


def _models(learned: Learned) -> Iterator[str]:
    sifted = learned.sifted
    total = len(sifted.left) + len(sifted.ruled_out)
    if not sifted.left:
        yield f"none of {total} ways to allocate explains all that was seen"
        for each in sifted.nearest[:_SHOWN]:
            yield (
                f"  {policy_words(each.policy)}: not {_counted(each.count, 'change')}, "
                f"the first in {each.recording}, frame {each.frame}"
            )
        yield "  something comes and goes within a frame, or blocks are changed in another way"
        return
    if learned.cut_short:
        yield "cut short: not all that was seen is accounted for"
    yield f"{len(learned.models)} of {total} ways to allocate explain all that was seen:"
    for model in learned.models[:_SHOWN]:
        most = "…" if model.most is None else f"0x{model.most:X}"
        yield f"  {policy_words(model.policy)}; least rest 0x{model.least:X} to {most}"
    if len(learned.models) > _SHOWN:
        yield f"  and {len(learned.models) - _SHOWN} more"
    if len(learned.models) > 1:
        yield "  lowhalf learn next finds what would tell them apart"
    if sifted.both_ends:
        yield "  some allocations ask for an end of the arena of their own"
    if sifted.undecided:
        times = _counted(sifted.undecided, "time")
        yield f"  {times} too much came and went at once to say anything"
    for model in learned.inconsistent[:_SHOWN]:
        yield f"  not {policy_words(model.policy)}: an action would not do the same each time"


def _action(action: LearnedAction, names: Sequence[str]) -> Iterator[str]:
    took = ""
    if action.least is not None:
        took = f", at least {action.least} frames, typically {action.typical}"
    yield f"{action.name}: {_counted(action.done, 'time')}{took}"
    yield f"  seen in {evidence(action.frames, names)}"
    if action.without:
        yield f"  {_counted(action.without, 'time')} the heap stayed as it was"
    if action.why:
        yield f"  {action.why}"
    for variant in action.variants[:_SHOWN]:
        went, came = _kinds(variant.released), _kinds(variant.allocated)
        yield f"    {_counted(variant.count, 'time')}: went {went}; came {came}"
    if len(action.variants) > 1:
        yield "    more than one action is labelled so, or something else happens in its frames"
    if action.why:
        return
    ways = ways_of(action)
    for number, way in enumerate(ways[:_SHOWN]):
        yield f"  {'or: ' if number else ''}{', '.join(map(effect_text, way)) or 'nothing'}"
    if len(ways) > _SHOWN:
        yield f"  or in {len(ways) - _SHOWN} further ways"
    yield from _not_known(action, ways)


def _not_known(action: LearnedAction, ways: Sequence[tuple[Effect, ...]]) -> Iterator[str]:
    """What stays open, in words."""
    if not action.complete:
        yield "  more ways may be possible than were tried"
    rules = {e.which for way in ways for e in way if isinstance(e, Free) and e.which != Which.ALL}
    if len(rules) > 1:
        words = " or ".join(sorted(rules))
        yield f"  not known: whether the {words} goes; they were the same each time"
    pairs = _open_pairs(ways)
    if pairs:
        words = "; ".join(f"{one} or {other}" for one, other in pairs[:_SHOWN])
        yield f"  not known: which comes first: {words}"
    if action.alone:
        yield (
            f"  not known: whether all go or just so many, of which there were as many each time: "
            f"{', '.join(action.alone)}"
        )
    orders = {
        effect.order
        for way in action.candidates
        for effect in way
        if isinstance(effect, Free) and effect.which is Which.ALL
    }
    if len(orders) > 1:
        yield (
            "  not known: in which order all are released; it matters only where the newest hole "
            "is tried first or holes are joined on one side"
        )


def _open_pairs(ways: Sequence[tuple[Effect, ...]]) -> list[tuple[str, str]]:
    """Kinds of which some ways allocate the one first and some the other."""
    firsts: list[dict[str, int]] = []
    for way in ways:
        kinds = [effect.kind for effect in way if isinstance(effect, Alloc)]
        firsts.append({kind: kinds.index(kind) for kind in kinds})
    names = sorted({kind for first in firsts for kind in first})
    return [
        (one, other)
        for at, one in enumerate(names)
        for other in names[at + 1 :]
        if len({f[one] < f[other] for f in firsts if one in f and other in f}) > 1
    ]


def _unknown(learned: Learned, names: Sequence[str]) -> Iterator[str]:
    occurrences = learned.occurrences
    if occurrences.unlabelled:
        yield ""
        yield f"{_counted(len(occurrences.unlabelled), 'change')} of no action that is labelled:"
        for play, number in occurrences.unlabelled[:_SHOWN]:
            change = learned.plays[play].changes[number]
            words = ", ".join(f"{e.block.owner} {e.happened}" for e in change.events)
            yield f"  {names[play]}, frame {change.frame}: {words or 'only holes changed'}"
        if len(occurrences.unlabelled) > _SHOWN:
            yield f"  and {len(occurrences.unlabelled) - _SHOWN} more"
    for (action, frames), count in occurrences.behind.most_common(_SHOWN):
        if count > 1:
            yield (
                f"  {count} of them come {_counted(frames, 'frame')} behind {action}: "
                f"spread = {frames} would make them its own"
            )
    for play, frame, actions in occurrences.mixed[:_SHOWN]:
        yield f"{names[play]}, frame {frame}: left out, {' and '.join(actions)} are done at once"
    for play, frame, name in occurrences.unseen[:_SHOWN]:
        yield f"{names[play]}, frame {frame}: left out, frames beside this {name} were missed"
    if not _told_apart(learned):
        yield ""
        yield (
            "a block that went and came again in one frame, of the same kind, may have been "
            "missed: [heap] names neither identity nor generation"
        )
    if any(order_matters(model.policy) for model in learned.models):
        yield (
            "what came and went within one frame is not seen, and the order of what was released "
            "in it may matter here"
        )


def _told_apart(learned: Learned) -> bool:
    """Whether a block that was handed out anew can be told from the one before."""
    events = [event for play in learned.plays for c in play.changes for event in c.events]
    blocks = [event.block for event in events if event.happened is not Happened.RELEASED]
    return not blocks or any(
        block.identity is not None or block.generation is not None for block in blocks
    )


def _kinds(counts: Sequence[tuple[str, int]]) -> str:
    return ", ".join(f"{kind} x{count}" if count > 1 else kind for kind, count in counts) or "none"


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'s' * (count != 1)}"
