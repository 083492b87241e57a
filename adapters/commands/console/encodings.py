"""In which encoding a standard stream is written, and what becomes of signs that it lacks.

UTF-8 is the rule for what is not a console: on Windows Python would take the system's code page
there, which whoever reads a pipe or a file has to guess, and which lacks most letters.  Who sets
PYTHONIOENCODING gets what it says.  A console is written in Unicode whatever its code page is.

A stream of fewer signs, such as code page 437, gets signs of ASCII that look like ours.  Others are
``?`` in what a command prints, and escapes in what is told on standard error.
"""

from __future__ import annotations

import codecs
import os
import sys
from collections.abc import Callable, Mapping
from typing import TextIO

__all__ = ["ESCAPED", "QUESTIONED", "encoding_of"]

QUESTIONED, ESCAPED = "lowhalf-questioned", "lowhalf-escaped"
"""How errors of encoding are handled, by the names that streams take."""
_LOOKALIKES = {
    "·": "-",
    "×": "x",
    "°": " deg",
    "±": "+-",
    "−": "-",
    "–": "-",
    "—": "-",
    "…": "...",
    "→": "->",
}


def encoding_of(
    stream: TextIO | None,
    *,
    windows: bool = sys.platform == "win32",
    environment: Mapping[str, str] = os.environ,
) -> str:
    """The encoding to write to one of the interpreter's streams; None is one that is closed."""
    if stream is None:
        return "utf-8"
    said = environment.get("PYTHONIOENCODING", "").partition(":")[0]
    if windows and not said and not stream.isatty():
        return "utf-8"
    return stream.encoding


def _handler(
    other: Callable[[UnicodeEncodeError], tuple[str | bytes, int]],
) -> Callable[..., object]:
    def handle(fault: UnicodeEncodeError) -> tuple[str | bytes, int]:
        sign = _LOOKALIKES.get(fault.object[fault.start])
        if sign is not None:
            return sign, fault.start + 1
        following = UnicodeEncodeError(
            *(fault.encoding, fault.object, fault.start, fault.start + 1, fault.reason)
        )
        return other(following)

    return handle


codecs.register_error(QUESTIONED, _handler(codecs.replace_errors))  # type: ignore[arg-type]
codecs.register_error(ESCAPED, _handler(codecs.backslashreplace_errors))  # type: ignore[arg-type]
