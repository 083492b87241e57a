"""Targets: what hits, in each form in which it is seen, and what a half means for its number."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction

from bridge.sheet.document import (
    Block,
    Cell,
    Points,
    Prose,
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
    theirs,
)
from bridge.sheet.half_meaning import LowHalfMeaning
from bridge.sheet.hits import Ends
from bridge.sheet.sheet import Entry
from bridge.values.value_type import Kind, shortest_single

__all__ = ["half_sections", "targets_section"]


def targets_section(entries: Sequence[Entry]) -> Section | None:
    """All watches that have a target; None where there is none."""
    wanted = [entry for entry in entries if entry.hits is not None]
    if not wanted:
        return None
    heads = tuple(map(ours, ("watch", "hits, as it is shown", "in hexadecimal", "remarks")))
    rows = tuple(_target_row(entry) for entry in wanted)
    return Section(ours("Targets"), (Table(heads, rows),))


def _target_row(entry: Entry) -> Row:
    hits = entry.hits
    assert hits is not None
    seen = joined([_run(number, each.first_text, each.last_text) for each in hits.ends], " or ")
    bits = [_run(digits, *pattern) for each in hits.ends for pattern in each.patterns]
    return Row(
        (
            Cell(theirs(entry.title)),
            Cell(seen or ours("nothing can")),
            Cell(joined(bits, " or ") or aside("not stored")),
            Cell(joined(_remarks(entry), "; ")),
        )
    )


def _run(style: Callable[[str], Text], first: str, last: str) -> Text:
    if first == last:
        return style(first)
    return (*style(first), *ours(" to "), *style(last))


def _remarks(entry: Entry) -> Iterator[Text]:
    hits, kind = entry.hits, entry.watch.type
    assert hits is not None
    if kind.members and hits.ends and isinstance(hits.ends[0].first, int):
        yield (*ours("number "), *number(str(hits.ends[0].first)))
    if hits.count is not None and hits.count > 1:
        yield ours(f"{hits.count:,} values")
    if kind.kind is Kind.FLOAT:
        for each in hits.ends:
            yield _exactly(entry, each)
    if hits.blurred:
        yield ours("a value just outside may be shown like an end")
    if _digit_pattern(hits.ends):
        yield _digit_pattern(hits.ends)
    if entry.recipe.reason:
        yield ours("not by hand")


def _exactly(entry: Entry, ends: Ends) -> Text:
    """The first and the last number that hit, in the fewest digits that are these."""
    first, last = ends.first, ends.last
    assert isinstance(first, float)
    assert isinstance(last, float)
    written = [
        shortest_single(each) if entry.watch.type.single else repr(each) for each in (first, last)
    ]
    if written == [ends.first_text, ends.last_text]:
        return ours("both ends hit")
    return (*ours("exactly "), *_run(number, *written))


def _digit_pattern(ends: Sequence[Ends]) -> Text:
    """``begins with 2``, where that says all of it."""
    patterns = [pattern for each in ends for pattern in each.patterns]
    if len(patterns) != 1:
        return ()
    first, last = patterns[0]
    free = next((n for n, (a, b) in enumerate(zip(first, last, strict=True)) if a != b), len(first))
    if not 0 < free < len(first):
        return ()
    if set(first[free:]) != {"0"} or set(last[free:]) != {"F"}:
        return ()
    any_digits = len(first) - free
    what = "any digit" if any_digits == 1 else f"any {any_digits} digits"
    return (*digits(first[:free]), *ours(f" and then {what}"))


def half_sections(entries: Sequence[Entry]) -> Iterator[Section]:
    """What targets on halves of a binary32 mean for the numbers themselves."""
    low = [entry for entry in entries if entry.low]
    if low:
        title = ours("What a target on a low half means for its number")
        yield Section(title, tuple(_low_blocks(low)), level=3)
    high = [entry for entry in entries if entry.high]
    if high:
        title = ours("What a target on a high half means for its number")
        yield Section(title, (Points(tuple(map(_high_words, high))),), level=3)


_LOW = (
    *ours("A low half runs through all of "),
    *_run(digits, "0000", "FFFF"),
    *ours(
        ", again and again, while the number moves away from 0. How far it is until it comes "
        "round, and for how much of that way it hits, depends on how far from 0 the number is."
    ),
)


def _low_blocks(entries: Sequence[Entry]) -> Iterator[Block]:
    yield Prose(_LOW)
    shares: dict[int, Entry] = {}
    points = []
    for entry in entries:
        assert entry.hits is not None
        share = sum(int(each.last) - int(each.first) + 1 for each in entry.hits.ends)
        shares.setdefault(share, entry)
        told = f": {share:,} of 65,536 halves hit, one in {_few(65536 / share)}"
        points.append(
            (*theirs(entry.title), *ours(" "), *code(entry.watch.expression), *ours(told))
        )
    yield Points(tuple(points))
    counts = sorted(shares)
    for start in range(0, len(counts), _SHARES):
        some = counts[start : start + _SHARES]
        heads = ("away from 0", "comes round after", *(f"{count:,} hit for" for count in some))
        columns = [shares[count].low for count in some]
        yield Table(
            tuple(map(ours, heads)),
            tuple(
                Row(
                    (
                        Cell(_stretch(same[0])),
                        Cell(number(_exact_decimal(same[0].period))),
                        *(Cell(number(_exact_decimal(each.hit))) for each in same),
                    )
                )
                for same in zip(*columns, strict=True)
            ),
        )


def _stretch(each: LowHalfMeaning) -> Text:
    return _run(number, f"{each.least:,}", f"{each.limit:,}")


_SHARES = 3
"""Columns of one table, for targets that take in more or fewer halves."""


def _high_words(entry: Entry) -> Text:
    runs = [_run(number, *run.texts) for run in entry.high]
    return (
        *theirs(entry.title),
        *ours(" "),
        *code(entry.watch.expression),
        *ours(" hits while the number is "),
        *joined(runs, " or "),
        *ours("; both ends do."),
    )


def _few(number: float) -> str:
    return f"{number:,.1f}".removesuffix(".0")


def _exact_decimal(number: Fraction) -> str:
    """A multiple of a power of two with all its decimals, or where these are many with about four
    digits."""
    text = f"{float(number):.13f}".rstrip("0").rstrip(".")
    return text if Fraction(text) == number else f"about {float(number):.4g}"
