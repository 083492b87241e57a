"""The whole sheet as a document, in the order in which a person comes to want it."""

from __future__ import annotations

from collections.abc import Iterator

from bridge.sheet.document import (
    Block,
    Cell,
    Document,
    Points,
    Row,
    Section,
    Table,
    Text,
    aside,
    code,
    digits,
    joined,
    number,
    ours,
    strong,
    theirs,
)
from bridge.sheet.place_tables import places_sections
from bridge.sheet.recipe import Stored
from bridge.sheet.sheet import MoveFacts, Sheet
from bridge.sheet.target_tables import half_sections, targets_section
from bridge.sheet.walk_tables import walks_section
from bridge.sheet.words import bytes_words, hexadecimal
from schemas.bridge_file import StepTable

__all__ = ["document_of"]

_MINUS = "\N{MINUS SIGN}"


def document_of(sheet: Sheet) -> Document:
    """The sheet as sections, tables and sums."""
    return Document(
        title=(*theirs(sheet.game), *ours(": "), *theirs(sheet.name)),
        lines=tuple(_lines(sheet)),
        sections=tuple(_sections(sheet)),
        foot=ours(f"lowhalf {sheet.version}; made of the files alone, with nothing connected"),
    )


def _sections(sheet: Sheet) -> Iterator[Section]:
    yield _builds(sheet)
    if sheet.steps:
        yield _steps(sheet)
    if sheet.attempts is not None:
        yield _attempts(sheet)
    targets = targets_section(sheet.watches)
    if targets is not None:
        yield targets
        yield from half_sections(sheet.watches)
    yield from places_sections(sheet)
    if sheet.moves:
        yield _moves(sheet.moves)
    if sheet.walks is not None:
        yield walks_section(sheet.walks)
    names = dict(_names(sheet))
    if names:
        yield _named_numbers(names)
    if sheet.functions:
        rows = tuple(
            Row((Cell(code(form)), Cell(ours(gives)))) for form, gives in sheet.functions.values()
        )
        yield Section(ours("Functions"), (Table((ours("function"), ours("gives")), rows),))


def _lines(sheet: Sheet) -> Iterator[Text]:
    """How the sheet is to be read."""
    yield (
        *ours("Digits that look like "),
        *digits("80A0"),
        *ours(" are hexadecimal, others decimal. "),
        *strong("P"),
        *ours(" + "),
        *digits("2E"),
        *ours(" is the address called "),
        *strong("P"),
        *ours(", and "),
        *digits("2E"),
        *ours(" more."),
    )
    first = "most" if sheet.memory.endian == "big" else "least"
    yield ours(
        f"Of a number of several bytes the {first} significant byte stands first "
        f"({sheet.memory.endian}-endian); an address is {bytes_words(sheet.memory.pointer_size)}."
    )
    width = 2 * sheet.memory.pointer_size
    for region in sheet.memory.regions:
        if region.mirrors:
            seen = joined(digits(hexadecimal(mirror, width)) for mirror in region.mirrors)
            yield (
                *ours("What is at "),
                *digits(hexadecimal(region.start, width)),
                *ours(" and behind is seen again at "),
                *seen,
                *ours(" and behind."),
            )


def _builds(sheet: Sheet) -> Section:
    width = 2 * sheet.memory.pointer_size
    rows = []
    for build in sheet.builds:
        title = (*theirs(build.name), *((*ours(", "), *theirs(build.title)) if build.title else ()))
        known = joined(
            (
                (
                    *digits(hexadecimal(address, width)),
                    *ours(" "),
                    *code(shown),
                    *ours(", "),
                    *digits(data.hex(" ").upper()),
                )
                for address, data, shown in build.recognised
            ),
            "; ",
        )
        counter: Text = aside("none")
        if build.counter is not None:
            _, address, size = build.counter
            counter = (*digits(hexadecimal(address, width)), *ours(f", {bytes_words(size)}"))
        rows.append(Row((Cell(title), Cell(known or aside("by nothing")), Cell(counter))))
    heads = (ours("build"), ours("known by what stands at"), ours("counts frames at"))
    return Section(ours("Which build it is"), (Table(heads, tuple(rows)),))


def _steps(sheet: Sheet) -> Section:
    titles = {entry.name: entry.title for entry in sheet.watches}
    rows: list[Row] = []
    for count, step in enumerate(sheet.steps, 1):
        name: Text = (*ours(f"{count}. "), *theirs(step.name))
        if step.hint:
            name = (*name, *ours(": "), *theirs(step.hint))
        rows.append(Row((Cell(name, 2),), heading=True))
        rows += [Row((Cell(ours(what)), Cell(when))) for what, when in _moments(step, titles)]
    return Section(ours("Steps"), (Table((ours("step"), ours("when")), tuple(rows)),))


def _moments(step: StepTable, titles: dict[str, str]) -> Iterator[tuple[str, Text]]:
    if step.begin:
        yield "begins", code(step.begin)
    yield "done", code(step.done)
    if step.fail:
        yield "has failed", code(step.fail)
    if step.window is not None:
        first, last = step.window.frames
        frames = f"in frame {first}" if first == last else f"in frames {first} to {last}"
        yield (
            "in time",
            (
                *ours(f"done {frames} behind the one in which "),
                *code(step.window.after),
                *ours(" becomes true, which is frame 0"),
            ),
        )
    if step.show:
        yield "look at", theirs(titles.get(step.show, step.show))


def _attempts(sheet: Sheet) -> Section:
    table = sheet.attempts
    assert table is not None
    points: list[Text] = []
    if table.begins:
        points.append((*ours("An attempt begins when "), *code(table.begins), *_BECOMES))
    if table.by_hand:
        points.append(ours("The runner counts by hand when one begins and when it has succeeded."))
    if table.succeeds:
        points.append((*ours("It has its success when "), *code(table.succeeds), *_BECOMES))
    elif sheet.steps:
        points.append(ours("It has its success when the last step is done."))
    if table.given_up:
        points.append((*ours("It is given up when "), *code(table.given_up), *_BECOMES))
    if table.begins:
        points.append(ours("One that is open when the next begins is given up, too."))
    if table.keep:
        titles = {entry.name: entry.title for entry in sheet.watches}
        kept = joined(theirs(titles.get(name, name)) for name in table.keep)
        points.append((*ours("Write down at its end: "), *kept, *ours(".")))
    return Section(ours("Attempts"), (Points(tuple(points)),))


_BECOMES = ours(" becomes true.")


def _moves(moves: tuple[MoveFacts, ...]) -> Section:
    heads = tuple(map(ours, ("move", "turns by", "degrees", "frames", "how often", "what it is")))
    rows = tuple(_move_row(each) for each in moves)
    angles: Block = Points(
        (
            (
                *ours("A whole turn is "),
                *digits("10000"),
                *ours(": 65,536 units. One unit is 0.0054931640625 degrees."),
            ),
        )
    )
    return Section(ours("Moves"), (Table(heads, rows), angles))


def _move_row(each: MoveFacts) -> Row:
    move = each.move
    sign = _MINUS if move.add < 0 else "+"
    turned: Text = (
        *digits(f"{sign}{abs(move.add):04X}"),
        *aside(f" {sign}{abs(move.add):,} units"),
    )
    told = f"{each.degrees:+.2f}°"
    if move.face is not None:
        turned, told = (*ours("faces "), *digits(f"{move.face:04X}")), f"{each.degrees:.2f}°"
    often = aside("no limit") if move.limit is None else ours(f"at most {move.limit}")
    return Row(
        (
            Cell(theirs(move.name)),
            Cell(turned),
            Cell(number(told.replace("-", _MINUS))),
            Cell(number(f"{move.frames:,}")),
            Cell(often),
            Cell(theirs(each.doc)),
        )
    )


def _names(sheet: Sheet) -> Iterator[tuple[str, Stored]]:
    """The types whose values have names, in the order in which they are come upon."""
    for entry in (*sheet.watches, *sheet.moments):
        for look in entry.recipe.all_looks:
            if look.stored.names and look.stored.kind != "flag":
                yield look.stored.type, look.stored


def _named_numbers(names: dict[str, Stored]) -> Section:
    rows = []
    for name, stored in names.items():
        numbered = list(_numbered(stored))
        # a row is not longer than a page
        for start in range(0, len(numbered), _NAMES):
            some = joined(numbered[start : start + _NAMES])
            rows.append(Row((Cell(() if start else code(name)), Cell(some))))
    table = Table((ours("type"), ours("names, with their numbers in decimal")), tuple(rows))
    return Section(ours("Names of numbers"), (table,))


_NAMES = 60
"""Names of a row."""


def _numbered(stored: Stored) -> Iterator[Text]:
    for value, name in stored.names:
        shown = f"bit {value}" if stored.by_bit else f"{value}".replace("-", _MINUS)
        yield (*theirs(name), *ours(" "), *number(shown))
