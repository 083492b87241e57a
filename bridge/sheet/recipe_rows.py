"""Recipes as rows of a table, a column a build."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from bridge.sheet.document import Cell, Row, Text, code, digits, joined, ours, strong, theirs
from bridge.sheet.recipe import Definition, Look, Recall, Recipe, Reckon, Sum, Walk
from bridge.sheet.words import (
    bytes_words,
    formula_text,
    hexadecimal,
    stored_words,
    sum_text,
)

__all__ = ["across", "address_cells", "definition_rows", "parts_text", "recipe_rows"]

_TAKES = {
    "first": "the first of them",
    "count": "how many there are",
    "sum": "the sum of",
    "min": "the least of",
    "max": "the greatest of",
}


def across(texts: Sequence[Text]) -> tuple[Cell, ...]:
    """A cell for each build, or one over all where they are alike."""
    if len(set(texts)) == 1:
        return (Cell(texts[0], len(texts)),)
    return tuple(Cell(text) for text in texts)


def address_cells(sums: Sequence[Sum], pointer_size: int) -> tuple[Cell, ...]:
    """Where something stands on each build."""
    return across([sum_text(at, pointer_size) for at in sums])


def parts_text(at: Sum) -> Text:
    """What is added to a letter, field by field; empty where that is one field or none."""
    parts = [part for part in at.parts if part.offset]
    if not at.base or len(parts) < 2:
        return ()
    told = [(*ours(f"{part.label} "), *digits(hexadecimal(part.offset))) for part in parts]
    return joined(told, " + ")


def recipe_rows(
    recipes: Mapping[str, Recipe], titles: Mapping[str, str], pointer_size: int
) -> Iterator[Row]:
    """The rows of one value: its definitions, and what is made of them.

    *titles* are those of the watches that are referred to.
    """
    found = list(recipes.values())
    for same in zip(*(recipe.definitions for recipe in found), strict=True):
        yield from definition_rows(same, titles, pointer_size)
    last = found[0].definitions[-1].letter if found[0].definitions else ""
    if found[0].result != last:
        results = [formula_text(recipe.result) for recipe in found]
        if len(set(results)) == 1:
            yield Row((Cell(strong("=")), Cell(results[0], len(found) + 1)))
        else:
            yield Row((Cell(strong("=")), Cell(ours("what these give")), *across(results)))


def definition_rows(
    same: Sequence[Definition], titles: Mapping[str, str], pointer_size: int
) -> Iterator[Row]:
    """The rows of one definition, as it is on each build."""
    first, columns = same[0], len(same)
    letter = Cell(strong(first.letter))
    if isinstance(first, Look):
        yield _look_row(same, pointer_size)
    elif isinstance(first, Reckon):
        formulas = [formula_text(each.formula) for each in same if isinstance(each, Reckon)]
        yield Row((letter, Cell(code(first.what)), *across(formulas)))
    elif isinstance(first, Recall):
        title = titles.get(first.watch, first.watch)
        yield Row((letter, Cell(ours("the value of")), Cell(theirs(title), columns)))
    else:
        yield from _walk_rows(
            [each for each in same if isinstance(each, Walk)], titles, pointer_size
        )


def _look_row(same: Sequence[Definition], pointer_size: int) -> Row:
    looks = [each for each in same if isinstance(each, Look)]
    first = looks[0]
    words = f"read {bytes_words(first.stored.size)}, {stored_words(first.stored)}: "
    return Row(
        (
            Cell(strong(first.letter)),
            Cell((*ours(words), *code(first.what))),
            *address_cells([look.at for look in looks], pointer_size),
        )
    )


def _walk_rows(
    walks: Sequence[Walk], titles: Mapping[str, str], pointer_size: int
) -> Iterator[Row]:
    first, columns = walks[0], len(walks)
    pointer = bytes_words(first.pointer_size)
    begin = f"read {pointer}, an address" if first.led else "begin at this address"
    yield Row(
        (
            Cell(strong(first.element)),
            Cell(ours(f"{begin}: the first of the list; 0 would be its end")),
            *address_cells([walk.first for walk in walks], pointer_size),
        )
    )
    for same in zip(*(walk.inner for walk in walks), strict=True):
        yield from definition_rows(same, titles, pointer_size)
    nexts = [Sum(walk.element, walk.next_add) for walk in walks]
    yield Row(
        (
            Cell(strong(first.element)),
            Cell(ours(f"then read {pointer}, the next one, and so on; 0 ends the list")),
            *address_cells(nexts, pointer_size),
        )
    )
    taken = ours(_TAKES[first.takes])
    if first.takes not in ("first", "count") or first.each != first.element:
        eaches = [formula_text(walk.each) for walk in walks]
        if first.takes != "count":
            taken = (
                *taken,
                *(ours(", namely ") if first.takes == "first" else ours(" ")),
                *eaches[0],
            )
    if first.where:
        taken = (*taken, *ours(", counting only those where "), *formula_text(first.where))
    yield Row((Cell(strong(first.letter)), Cell(taken, columns + 1)))
