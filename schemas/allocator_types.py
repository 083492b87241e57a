"""A build's allocator as far as types go, and whether actions fit it."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from schemas.action_table import ActionTable, EffectTable
from schemas.allocator_table import AllocatorBuild, AllocatorTable
from schemas.heap_types import HeapTypes
from schemas.layout import size_of
from schemas.toml_file import TomlText, nearest
from schemas.toml_lines import Key

__all__ = ["AllocatorTypes", "allocator_types", "check_actions"]

_NO_KINDS = ("free",)
"""What a heap calls that which is nobody's."""


@dataclass(frozen=True, slots=True)
class AllocatorTypes:
    """The allocator of one build: its table with what differs in that build, and sizes in bytes.

    ``header``, ``alignment`` and ``least_rest`` have the heap's where the table gives none.
    ``sizes`` is kind → bytes of payload that are asked for; ``kinds`` are all that a block can be.
    ``path`` is where its table stands in the file.
    """

    table: AllocatorBuild
    header: int
    alignment: int
    least_rest: int
    sizes: Mapping[str, int]
    kinds: tuple[str, ...]
    path: tuple[Key, ...]

    @property
    def largest(self) -> int:
        """Bytes of the largest payload."""
        return max(self.sizes.values(), default=0)


def allocator_types(
    table: AllocatorTable,
    heap: HeapTypes,
    build: str,
    builds: Collection[str],
    text: TomlText,
) -> AllocatorTypes:
    """The allocator of a heap of one build.  Raises SchemaError."""
    path: tuple[Key, ...] = ("heaps", heap.name, "allocator") if heap.name else ("allocator",)
    for name in table.builds:
        if name not in builds:
            raise text.error((*path, "builds", name), f"unknown build{nearest(name, builds)}")
    own = table.builds.get(build)
    merged: AllocatorBuild = table
    if own is not None:
        given = {key: getattr(own, key) for key in own.model_fields_set}
        given["sizes"] = {**table.sizes, **own.sizes}
        merged = table.model_copy(update=given)
    kinds = tuple(name for name in heap.owner.names if name not in _NO_KINDS)
    kinds = kinds or tuple(merged.sizes)
    for at, sizes in (((), table.sizes), (("builds", build), own.sizes if own else {})):
        for kind in sizes:
            if kind not in kinds:
                raise text.error(
                    (*path, *at, "sizes", kind), f"unknown kind {kind}{nearest(kind, kinds)}"
                )
    if merged.rover is not None and merged.fit != "next":
        raise text.error((*path, "rover"), f"goes with fit next, found fit {merged.fit}")
    alignment = merged.alignment or heap.table.alignment
    header = heap.header_size if merged.header is None else merged.header
    least_rest = header + alignment if merged.least_rest is None else merged.least_rest
    asked = {**_sizes(heap), **merged.sizes}
    for kind, size in asked.items():
        if header + size == 0:
            raise text.error((*path, "sizes", kind), "a block takes no bytes")
    return AllocatorTypes(merged, header, alignment, least_rest, asked, kinds, path)


def _sizes(heap: HeapTypes) -> dict[str, int]:
    """Bytes of payload by kind, as far as the owner's table knows them."""
    sizes = {name: size_of(struct) for name, struct in heap.owner.structs.items()}
    return sizes or {name: size for size, name in heap.owner.sizes.items()}


def check_actions(
    actions: Mapping[str, ActionTable],
    states: Collection[str],
    allocators: Mapping[str, Mapping[str, AllocatorTypes]],
    text: TomlText,
) -> None:
    """Raise SchemaError for an action that names what is not there.

    *allocators* are build → heap → its allocator; where there is none at all, only states are
    checked.
    """
    for name, action in actions.items():
        path = ("actions", name)
        for key in ("needs", "sets", "adds"):
            for state in getattr(action, key):
                if state not in states:
                    raise text.error(
                        (*path, key, state), f"unknown state {state}{nearest(state, states)}"
                    )
        for index, effect in enumerate(action.effects):
            for build, known in allocators.items():
                if known:
                    at = (*path, "effects", index)
                    _check_effect(effect, known, build if len(allocators) > 1 else "", at, text)


def _check_effect(
    effect: EffectTable,
    allocators: Mapping[str, AllocatorTypes],
    build: str,
    path: tuple[Key, ...],
    text: TomlText,
) -> None:
    allocator = allocators.get(effect.heap)
    if allocator is None:
        named = [name for name in allocators if name]
        if not effect.heap:
            raise text.error(path, f"[heap] has no [allocator]; heap names another{_known(named)}")
        raise text.error(
            (*path, "heap"), f"no heap {effect.heap} with an allocator{nearest(effect.heap, named)}"
        )
    for key, kinds in (
        ("alloc", (effect.alloc,) if effect.alloc else ()),
        ("free", effect.free or ()),
        ("hold", effect.hold or ()),
    ):
        for kind in kinds:
            if kind not in allocator.kinds:
                raise text.error(
                    (*path, key), f"unknown kind {kind}{nearest(kind, allocator.kinds)}"
                )
    if effect.alloc and effect.alloc not in allocator.sizes:
        where = f" in build {build}" if build else ""
        key = ".".join(str(part) for part in (*allocator.path, "sizes"))
        raise text.error(
            (*path, "alloc"), f"no size of {effect.alloc} is known{where}: give it in {key}"
        )


def _known(names: Collection[str]) -> str:
    return f": {', '.join(sorted(names))}" if names else ""
