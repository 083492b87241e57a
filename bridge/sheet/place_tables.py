"""Where values are: at fixed addresses, behind pointers, made of several, along lists."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from bridge.sheet.document import (
    Block,
    Cell,
    Prose,
    Row,
    Section,
    Span,
    Style,
    Sums,
    Table,
    Text,
    aside,
    code,
    joined,
    ours,
    strong,
    theirs,
)
from bridge.sheet.recipe import Look, Recipe
from bridge.sheet.recipe_rows import address_cells, definition_rows, parts_text, recipe_rows
from bridge.sheet.sheet import Entry, Sheet
from bridge.sheet.words import bytes_words, seen_words

__all__ = ["MAX_BUILDS", "MAX_SUMS", "places_sections"]

MAX_BUILDS = 4
"""Builds side by side in one table; further ones have tables of their own."""
MAX_SUMS = 4
"""Worked sums of one pointer or one value; the others are done likewise."""


def places_sections(sheet: Sheet) -> Iterator[Section]:
    """Every watch, and every expression of a step or of the attempts that is no watch alone."""
    entries = [*sheet.watches, *_together(filter(_is_more, sheet.moments))]
    fixed = [entry for entry in entries if len(entry.recipe.looks) == 1]
    behind = [entry for entry in entries if len(entry.recipe.looks) > 1]
    others = [entry for entry in entries if not entry.recipe.looks]
    yield from _fixed(sheet, fixed)
    yield from _behind(sheet, behind)
    made = [entry for entry in others if entry.recipe.by_hand]
    titles = {entry.name: entry.title for entry in sheet.watches}
    lists = [entry for entry in made if entry.recipe.walks]
    yield from _recipes(
        sheet,
        titles,
        "Worked out from what is read",
        [e for e in made if e not in lists],
        _READ_ONLY,
    )
    yield from _recipes(sheet, titles, "Along lists", lists, _ALONG)
    over = [entry for entry in others if entry.recipe.over_frames and not entry.recipe.reason]
    yield from _recipes(sheet, titles, "Over several frames", over, _OVER)
    never = [entry for entry in others if entry.recipe.reason]
    if never:
        rows = tuple(
            Row((Cell(_named(entry)), Cell(code(entry.watch.expression)), Cell(_reason(entry))))
            for entry in never
        )
        heads = (ours("watch"), ours("expression"), ours("why"))
        yield Section(ours("Not by hand"), (Table(heads, rows),))


_READ_ONLY = "Read a letter once the formula comes to it, in the order of the rows."
_ALONG = (
    "Go from element to element. The rows of L1 are done anew for each; a list ends at 0, and "
    "where it comes back to an element that was there already."
)
_OVER = (
    "One look does not tell these: go on frame by frame, look at each, and let the functions take "
    "it from there. What each of them gives stands below, under Functions."
)


def _is_more(entry: Entry) -> bool:
    """Whether there is more to read than the watch that it names."""
    return any(isinstance(each, Look) for each in entry.recipe.definitions) or entry.recipe.walks


def _together(moments: Iterable[Entry]) -> Iterator[Entry]:
    """Expressions that are written alike are told of once."""
    alike: dict[str, list[Entry]] = {}
    for entry in moments:
        alike.setdefault(entry.watch.expression, []).append(entry)
    for first, *others in alike.values():
        yield replace(first, title="; ".join(each.title for each in (first, *others)))


def _named(entry: Entry) -> Text:
    if entry.title == entry.name:
        return theirs(entry.name)
    if not entry.watch.label:  # of a step or the attempts
        return ours(entry.title)
    return (*theirs(entry.title), Span(" "), Span(entry.name, Style.CODE))


def _reason(entry: Entry) -> Text:
    return ours(entry.recipe.reason)


def _chunks(sheet: Sheet) -> Iterator[tuple[str, ...]]:
    names = [build.name for build in sheet.builds]
    # twice as many digits want twice the room
    most = MAX_BUILDS * 4 // max(4, sheet.memory.pointer_size)
    for start in range(0, len(names), most):
        yield tuple(names[start : start + most])


def _tables(
    sheet: Sheet,
    heads: Sequence[Text],
    rows: Callable[[tuple[str, ...]], Iterable[Row]],
) -> Iterator[Table]:
    """A table for each few builds that have room side by side."""
    for builds in _chunks(sheet):
        yield Table((*heads, *map(theirs, builds)), tuple(rows(builds)))


def _recipes_of(entry: Entry, builds: Sequence[str]) -> Mapping[str, Recipe]:
    return {build: entry.recipes[build] for build in builds}


def _final(entry: Entry, builds: Sequence[str]) -> list[Look]:
    return [entry.recipes[build].looks[-1] for build in builds]


def _read_words(entry: Entry) -> Text:
    stored = entry.stored
    assert stored is not None
    watch, last = entry.watch, entry.recipe.looks[-1].at.parts[-1]
    words = f"{bytes_words(stored.size)}, {seen_words(watch.type, watch.show, stored)}"
    if last.of_leaf and not parts_text(entry.recipe.looks[-1].at):
        where = f"{bytes_words(last.offset)} in" if last.offset else "at its beginning"
        words = f"{words}; {last.label}, {where}"
    return ours(words)


def _fixed(sheet: Sheet, entries: Sequence[Entry]) -> Iterator[Section]:
    if not entries:
        return
    size = sheet.memory.pointer_size

    def rows(builds: tuple[str, ...]) -> Iterator[Row]:
        for group, members in _grouped(entries):
            if group:
                yield Row((Cell(theirs(group), 2 + len(builds)),), heading=True)
            for entry in members:
                sums = [look.at for look in _final(entry, builds)]
                yield Row(
                    (Cell(_named(entry)), Cell(_read_words(entry)), *address_cells(sums, size))
                )

    heads = (ours("watch"), ours("read"))
    yield Section(ours("At fixed addresses"), tuple(_tables(sheet, heads, rows)))


def _grouped(entries: Sequence[Entry]) -> Iterator[tuple[str, list[Entry]]]:
    """By the groups of the bridge file, in its order; without a heading where there is one only."""
    groups: dict[str, list[Entry]] = {}
    for entry in entries:
        groups.setdefault(entry.watch.group, []).append(entry)
    if len(groups) == 1:
        yield "", list(entries)
    else:
        for name, members in groups.items():
            yield name or "Others", members


def _behind(sheet: Sheet, entries: Sequence[Entry]) -> Iterator[Section]:
    """What is read through the same pointers stands together."""
    if not entries:
        return
    yield Section(
        ours("Behind pointers"),
        (Prose(ours(_BEHIND)),),
    )
    chains: dict[tuple[str, ...], list[Entry]] = {}
    for entry in entries:
        chains.setdefault(tuple(look.what for look in entry.recipe.looks[:-1]), []).append(entry)
    for chain, members in chains.items():
        title = (*ours("Through "), *joined(map(code, chain), ", then "))
        yield Section(title, tuple(_chain_blocks(sheet, members)), level=3)


_BEHIND = (
    "Read the pointer first and write down what stands there: that is the address called P. Then "
    "add what is told and read there. A pointer of 0 leads nowhere. A pointer changes when the "
    "game puts what it leads to elsewhere, so read it anew whenever that may have happened."
)


def _chain_blocks(sheet: Sheet, members: Sequence[Entry]) -> Iterator[Block]:
    size = sheet.memory.pointer_size

    def rows(builds: tuple[str, ...]) -> Iterator[Row]:
        recipes = [members[0].recipes[build] for build in builds]
        for same in zip(*(recipe.looks[:-1] for recipe in recipes), strict=True):
            yield from definition_rows(same, {}, size)
        for entry in members:
            finals = _final(entry, builds)
            told = _read_words(entry)
            parts = parts_text(finals[0].at)
            if parts:
                told = (*told, *ours("; "), *parts)
            cells = address_cells([look.at for look in finals], size)
            yield Row((Cell(_named(entry)), Cell(told), *cells))

    heads = (ours("call it"), ours("read"))
    yield from _tables(sheet, heads, rows)
    worked = {(each.letter, each.step): each for entry in members for each in entry.worked}
    if worked:
        yield Sums(tuple(list(worked.values())[:MAX_SUMS]))


def _recipes(
    sheet: Sheet, titles: Mapping[str, str], title: str, entries: Sequence[Entry], how: str
) -> Iterator[Section]:
    if not entries:
        return
    yield Section(ours(title), (Prose(ours(how)),))
    for entry in entries:
        yield Section(_named(entry), tuple(_recipe_blocks(sheet, titles, entry)), level=3)


def _recipe_blocks(sheet: Sheet, titles: Mapping[str, str], entry: Entry) -> Iterator[Block]:
    watch = entry.watch
    seen = seen_words(watch.type, watch.show, None)
    yield Prose((*code(watch.expression), *aside(f" ({seen})" if seen else "")))
    size = sheet.memory.pointer_size

    def rows(builds: tuple[str, ...]) -> Iterable[Row]:
        return recipe_rows(_recipes_of(entry, builds), titles, size)

    yield from _tables(sheet, (strong(""), ours("what it is")), rows)
    if entry.worked:
        # one of each letter: what else is added to it is added likewise
        yield Sums(tuple({each.letter: each for each in reversed(entry.worked)}.values())[::-1])
