"""What is learned, as the tables of a schema, each line with what it rests on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from bridge.planning.actions import Alloc, Effect, Free, Hold, Which
from bridge.planning.learning.effects import LearnedAction
from bridge.planning.learning.learned import Learned, plain_effects, policy_of
from bridge.planning.learning.models import Model
from bridge.planning.policy import Fit, Policy
from schemas.seen_letters import toml_string

__all__ = [
    "LearnedKey",
    "LearnedTable",
    "effect_text",
    "effects_text",
    "evidence",
    "learned_tables",
    "tables_text",
    "ways_of",
]

_SHOWN = 6
"""Frames, and other ways, that are told by themselves."""


@dataclass(frozen=True, slots=True)
class LearnedKey:
    """A key with its value as TOML has it, and what is to be said of it."""

    name: str
    value: str
    comment: str = ""


@dataclass(slots=True)
class LearnedTable:
    """A table: its path, what is said above it, and its keys."""

    path: tuple[str, ...]
    comments: list[str] = field(default_factory=list)
    keys: list[LearnedKey] = field(default_factory=list)


def learned_tables(
    learned: Learned,
    names: Sequence[str],
    sizes: Mapping[str, Mapping[str, int]],
    heap: str = "",
) -> list[LearnedTable]:
    """Tables of the allocator and of each action whose effects are known.

    *heap* is the heap's name, empty for ``[heap]``.

    *names* are the recordings', by play; *sizes* are by build what the schema has, which is left
    out where it says the same.
    """
    tables = list(_allocator(learned, names, sizes)) if learned.models else []
    for action in learned.actions:
        # one that leaves the heap as it is may be the way to where another can be done
        if action.candidates and (not action.why or action.sets or action.adds):
            tables.append(_action(action, names, learned, heap))
    if heap:
        for table in tables:
            if table.path[0] == "allocator":
                table.path = ("heaps", heap, *table.path)
    return tables


def tables_text(tables: Sequence[LearnedTable]) -> str:
    """The tables as TOML."""
    return "\n".join("\n".join(_lines(table)) + "\n" for table in tables)


def _lines(table: LearnedTable) -> Iterator[str]:
    yield from (f"# {line}" for line in table.comments)
    yield f"[{'.'.join(table.path)}]"
    for key in table.keys:
        yield f"{key.name} = {key.value}" + (f"  # {key.comment}" if key.comment else "")


# -- the allocator


def _allocator(
    learned: Learned, names: Sequence[str], sizes: Mapping[str, Mapping[str, int]]
) -> Iterator[LearnedTable]:
    chosen, *others = learned.models
    geometries = list(learned.geometries.values())
    policy = policy_of(chosen, geometries[0])
    changes = sum(len(play.changes) for play in learned.plays)
    table = LearnedTable(("allocator",))
    table.comments.append(
        f"learned from {', '.join(dict.fromkeys(names))}: {_counted(changes, 'change')} of the "
        f"heap, which rule out {_counted(len(learned.sifted.ruled_out), 'other way')} to allocate"
    )
    if others:
        table.comments.append(
            f"{_counted(len(others), 'further way')} would give the same; "
            "a key says what else it may be"
        )
    for name, value in _policy_values(policy):
        also = sorted({dict(_policy_values(m.policy))[name] for m in others} - {value})
        table.keys.append(LearnedKey(name, value, f"or {' or '.join(also)}" if also else ""))
    most = "…" if chosen.most is None else f"0x{chosen.most:X}"
    first = geometries[0]
    same = all((g.header, g.alignment) == (first.header, first.alignment) for g in geometries)
    if same:
        least, greatest = first.alignment
        span = "" if least == greatest else f"{least} to {greatest}"
        table.keys += [
            LearnedKey("header", f"0x{first.header:X}"),
            LearnedKey("alignment", str(greatest), span),
            LearnedKey("least_rest", f"0x{policy.least_rest:X}", f"0x{chosen.least:X} to {most}"),
        ]
    yield table
    for geometry in geometries:
        own = LearnedTable(("allocator", "builds", geometry.build))
        if not same:
            own.keys += [
                LearnedKey("header", f"0x{geometry.header:X}"),
                LearnedKey("alignment", str(geometry.alignment[1])),
            ]
        known = sizes.get(geometry.build, {})
        rounded = {
            kind: stride - geometry.header
            for kind, stride in sorted(geometry.strides.items())
            if kind not in known or policy_of(chosen, geometry).stride(known[kind]) != stride
        }
        if rounded:
            words = ", ".join(f"{_key(kind)} = 0x{size:X}" for kind, size in rounded.items())
            own.keys.append(LearnedKey("sizes", f"{{ {words} }}"))
        if own.keys:
            yield own


def _policy_values(policy: Policy) -> Iterator[tuple[str, str]]:
    yield "fit", _text(policy.fit)
    # next fit goes by address
    yield "order", _text("address" if policy.fit is Fit.NEXT else policy.order)
    yield "tried_from", _text(policy.tried_from)
    yield "carved_from", _text(policy.carved_from)
    yield "merge", _text(policy.merge)
    yield "keeps_last", "true" if policy.keeps_last else "false"


# -- actions


def ways_of(action: LearnedAction) -> list[tuple[Effect, ...]]:
    """What an action may do, without the order in which all are released, each once."""
    return list(dict.fromkeys(plain_effects(each) for each in action.candidates))


def evidence(frames: Sequence[tuple[int, int]], names: Sequence[str]) -> str:
    """Where something was seen: recordings with some of their frames."""
    by_name: dict[str, list[int]] = {}
    for play, frame in frames:
        by_name.setdefault(names[play], []).append(frame)
    parts = []
    for name, numbers in by_name.items():
        shown = ", ".join(map(str, numbers[:_SHOWN]))
        more = f" and {len(numbers) - _SHOWN} more" if len(numbers) > _SHOWN else ""
        parts.append(f"{name}, frame{'s' * (len(numbers) > 1)} {shown}{more}")
    return "; ".join(parts)


def _action(
    action: LearnedAction, names: Sequence[str], learned: Learned, heap: str
) -> LearnedTable:
    table = LearnedTable(("actions", action.name))
    table.comments.append(f"seen in {evidence(action.frames, names)}")
    if action.without:
        table.comments.append(
            f"in {action.without} of {action.done} times the heap stayed as it was"
        )
    ways = ways_of(action)
    for other in ways[1 : _SHOWN + 1]:
        table.comments.append(f"or: effects = {effects_text(other, heap)}")
    if len(ways) > _SHOWN + 1:
        table.comments.append(f"or in {len(ways) - _SHOWN - 1} further ways")
    if not action.complete:
        table.comments.append("more ways may be possible than were tried")
    if action.alone:
        one = f"of {' and '.join(action.alone)} there were as many each time"
        table.comments.append(f"{one}: all of them, or just so many")
    if action.least is None or action.typical is None:
        table.keys.append(LearnedKey("frames", "1", "not known: no action came before it"))
    else:
        typical = f"typically {action.typical}" if action.typical != action.least else ""
        table.keys.append(LearnedKey("frames", str(max(action.least, 1)), typical))
    for key, values in (("sets", action.sets), ("adds", action.adds)):
        if values:
            inside = ", ".join(f"{_key(name)} = {value}" for name, value in values.items())
            table.keys.append(LearnedKey(key, f"{{ {inside} }}"))
    for name, numbers in action.done_at.items():
        shown = ", ".join(map(str, numbers[:_SHOWN])) + (", …" if len(numbers) > _SHOWN else "")
        table.comments.append(f"seen where {name} was {shown}: say with needs where it can be done")
    table.keys.append(LearnedKey("effects", effects_text(_chosen(action, learned.models), heap)))
    return table


def _chosen(action: LearnedAction, models: Sequence[Model]) -> tuple[Effect, ...]:
    """The simplest way under the model that is written."""
    if models and action.by_model and action.by_model[0].found:
        own = {order.effects for order in action.by_model[0].found}
        return next(each for each in action.candidates if each in own)
    return action.candidates[0]


def effects_text(effects: Sequence[Effect], heap: str = "") -> str:
    """Effects as an array of TOML; *heap* is the name of the heap, empty for ``[heap]``."""
    if not effects:
        return "[]"
    inside = ", ".join(effect_text(each, heap) for each in effects)
    if len(effects) == 1:
        return f"[{inside}]"
    return f"[ {inside} ]"


def effect_text(effect: Effect, heap: str = "") -> str:
    """One effect as an inline table."""
    if isinstance(effect, Alloc):
        parts = [f"alloc = {_text(effect.kind)}"]
        parts += [f"count = {effect.count}"] if effect.count > 1 else []
        parts += [f"end = {_text(effect.end)}"] if effect.end is not None else []
    elif isinstance(effect, Free):
        parts = [f"free = {_kinds(effect.kinds)}", f"which = {_text(effect.which)}"]
        if effect.which is Which.ALL and effect.order is not Which.LOWEST:
            parts.append(f"order = {_text(effect.order)}")
        counted = effect.count > 1 and effect.which not in (Which.ALL, Which.HELD)
        parts += [f"count = {effect.count}"] if counted else []
    elif isinstance(effect, Hold):
        parts = [f"hold = {_kinds(effect.kinds)}", f"which = {_text(effect.which)}"]
    else:
        parts = ["let_go = true"]
    parts += [f"heap = {_text(heap)}"] if heap else []
    return f"{{ {', '.join(parts)} }}"


def _kinds(kinds: Sequence[str]) -> str:
    if len(kinds) == 1:
        return _text(kinds[0])
    return f"[{', '.join(map(_text, kinds))}]"


def _text(value: str) -> str:
    return toml_string(str(value))


def _key(name: str) -> str:
    return (
        name if name.isascii() and name.replace("_", "").replace("-", "").isalnum() else _text(name)
    )


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'s' * (count != 1)}"
