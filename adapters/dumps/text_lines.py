"""The lines of a text format, one at a time.

A hostile text is mostly blank lines, or one line without an end: neither is ever split up whole.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator

from schemas.errors import SourceUnusable

__all__ = ["MAX_LINE_LENGTH", "text_lines"]

MAX_LINE_LENGTH = 1024
"""Characters; the longest record of either format takes 521, and blanks may stand behind it."""

_LINE = re.compile(rb"\S[^\n]{0,%d}" % MAX_LINE_LENGTH)


def text_lines(
    data: bytes, fault: Callable[[int, str], SourceUnusable]
) -> Iterator[tuple[int, bytes]]:
    """Number, from 1, and text of each line that is not blank, without the blanks around it.

    *fault* makes the error for a line, which is raised for one that is longer than MAX_LINE_LENGTH.
    """
    number, counted = 1, 0
    for found in _LINE.finditer(data):
        start, end = found.span()
        number += data.count(b"\n", counted, start)
        counted = start
        if end - start > MAX_LINE_LENGTH:
            raise fault(
                number, f"expected a line of at most {MAX_LINE_LENGTH} characters, found more"
            )
        yield number, found[0].rstrip()
