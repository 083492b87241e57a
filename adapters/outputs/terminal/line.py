"""A line of the terminal view: pieces of text with a style, cut to a width in columns."""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum

from rich.cells import cell_len, set_cell_size

from adapters.printable import printable

__all__ = ["GAP", "Alphabet", "Line", "Piece", "Style", "columns"]


class Style(Enum):
    """How a piece looks: attributes that are no colour, and the colour, by ECMA-48's SGR.

    Colours are from the terminal's own first eight, so that they follow its theme; no meaning is
    told by colour alone.
    """

    PLAIN = ("", "")
    STRONG = ("1", "")
    FAINT = ("2", "")
    HIT = ("1", "36")
    MISS = ("", "33")
    WARNING = ("1", "33")

    def codes(self, colour: bool) -> str:
        """The parameters of SGR; empty for none."""
        attribute, shade = self.value
        return ";".join(filter(None, (attribute, shade if colour else "")))


Piece = tuple[str, Style]
Line = tuple[Piece, ...]
"""Pieces from left to right; together no wider than the terminal."""

GAP = 2


def columns(text: str) -> int:
    """Columns of a terminal that *text* takes.

    A plain text is not given to rich, which keeps thousands that it was asked for: numbers change
    with each frame.
    """
    return len(text) if text.isascii() and text.isprintable() else cell_len(text)


class Alphabet:
    """The letters and shapes that a stream of that encoding can show.

    Other encodings than Unicode's get shapes of ASCII: those of the East hold round shapes, but
    their terminals draw them two columns wide.
    """

    def __init__(self, encoding: str) -> None:
        self._encoding = encoding
        unicode = encoding.lower().replace("_", "-").startswith("utf")
        self._unicode = unicode
        self.hit, self.miss, self.warning = "●○▲" if unicode else "*o!"
        self.absent, self.offline = "×‖" if unicode else "x="
        self.more = "…" if unicode else "~"

    def text(self, text: str) -> str:
        """*text* as one line that steers nothing and that the stream can hold."""
        shown = printable(text)
        if self._unicode:
            return shown
        try:
            return shown.encode(self._encoding).decode(self._encoding)
        except (UnicodeError, LookupError):
            pass
        shown = shown.replace("°", " deg").replace("−", "-").replace("…", "...")
        return shown.encode("ascii", "replace").decode("ascii")

    def cut(self, text: str, width: int) -> str:
        """*text* in at most *width* columns, with a sign at the end where something is missing."""
        if columns(text) <= width:
            return text
        return set_cell_size(text, width - 1).rstrip() + self.more if width > 0 else ""

    def fill(self, text: str, width: int, *, right: bool = False) -> str:
        """*text* in exactly *width* columns."""
        kept = self.cut(text, width)
        space = " " * (width - columns(kept))
        return space + kept if right else kept + space

    def row(self, pieces: Iterable[Piece], width: int, flexible: int = -1) -> Line:
        """Pieces that are not empty, two columns apart; what does not fit at the end is cut.

        The piece number *flexible* gives way before that, down to 4 columns.
        """
        given = [(self.text(text), style) for text, style in pieces]
        if 0 <= flexible < len(given):
            lengths = [columns(text) for text, _ in given[: flexible + 2] if text]
            over = sum(lengths) + GAP * (len(lengths) - 1) - width
            text, style = given[flexible]
            if text and over > 0:
                given[flexible] = self.cut(text, max(4, columns(text) - over)), style
        line: list[Piece] = []
        used = 0
        for text, style in given:
            if not text:
                continue
            gap = GAP if line else 0
            room = width - used - gap
            if room < min(columns(text), 8):
                break
            kept = self.cut(text, room)
            line.append((" " * gap + kept, style))
            used += gap + columns(kept)
        return tuple(line)
