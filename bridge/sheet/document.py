"""A sheet as a document without a form: sections of prose, tables and worked sums.

Renderers make HTML or Markdown of it, and escape what is in it.  A text is a run of spans, each in
a style of its own, so that other people's words are known from ours wherever they stand.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from bridge.sheet.worked import Worked

__all__ = [
    "Block",
    "Cell",
    "Document",
    "Points",
    "Prose",
    "Row",
    "Section",
    "Span",
    "Style",
    "Sums",
    "Table",
    "Text",
    "aside",
    "code",
    "digits",
    "joined",
    "number",
    "ours",
    "strong",
    "theirs",
]


class Style(StrEnum):
    OURS = "ours"
    THEIRS = "theirs"
    """Other people's words, in whatever script and direction."""
    CODE = "code"
    """Expressions and names of the files."""
    DIGITS = "digits"
    """Hexadecimal digits, of addresses and bits."""
    NUMBER = "number"
    """Numbers in decimal, and values as a watch shows them."""
    STRONG = "strong"
    ASIDE = "aside"


@dataclass(frozen=True, slots=True)
class Span:
    """A part of a text in one style."""

    text: str
    style: Style = Style.OURS


Text = tuple[Span, ...]


def ours(text: str) -> Text:
    return (Span(text),)


def theirs(text: str) -> Text:
    return (Span(text, Style.THEIRS),)


def code(text: str) -> Text:
    """An expression or a name; one that is written over several lines stands in one."""
    lines = [line.strip() for line in text.splitlines()]
    return (Span(" ".join(line for line in lines if line), Style.CODE),)


def digits(text: str) -> Text:
    return (Span(text, Style.DIGITS),)


def number(text: str) -> Text:
    return (Span(text, Style.NUMBER),)


def strong(text: str) -> Text:
    return (Span(text, Style.STRONG),)


def aside(text: str) -> Text:
    return (Span(text, Style.ASIDE),)


def joined(parts: Iterable[Text], between: str = ", ") -> Text:
    """Texts in a row with our words between them."""
    found: list[Span] = []
    for part in parts:
        if found:
            found.append(Span(between))
        found += part
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell of a table, over so many columns."""

    text: Text
    span: int = 1


@dataclass(frozen=True, slots=True)
class Row:
    """A row of a table; one that is a ``heading`` stands above those that follow it."""

    cells: tuple[Cell, ...]
    heading: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """A table; ``heads`` are the names of its columns."""

    heads: tuple[Text, ...]
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Prose:
    text: Text


@dataclass(frozen=True, slots=True)
class Points:
    """A list of texts."""

    items: tuple[Text, ...]


@dataclass(frozen=True, slots=True)
class Sums:
    """Additions worked as examples, beside one another."""

    worked: tuple[Worked, ...]


Block = Table | Prose | Points | Sums


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and what stands below it; ``level`` 2 for the main ones, 3 below these."""

    title: Text
    blocks: tuple[Block, ...]
    level: int = 2


@dataclass(frozen=True, slots=True)
class Document:
    """A sheet's title, what is told at once, and its sections."""

    title: Text
    lines: tuple[Text, ...]
    sections: Sequence[Section]
    foot: Text
