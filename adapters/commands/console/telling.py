"""Lines on standard error that are not the log: why a command ends, and what it has to say."""

from __future__ import annotations

import sys

from adapters.printable import printable_lines, printable_message

__all__ = ["pass_on", "tell", "tell_watched"]


def tell(words: object, begin: str = "lowhalf: ") -> None:
    """Print an error or a sentence behind *begin*; other people's names in it steer nothing."""
    print(f"{begin}{printable_message(str(words))}", file=sys.stderr, flush=True)


def tell_watched(words: str) -> None:
    """Print a sentence where somebody watches a terminal: how far something has come."""
    if sys.stderr.isatty():
        tell(words)


def pass_on(lines: str) -> None:
    """Print what :func:`tell` has made of it in another process."""
    print(printable_lines(lines), end="", file=sys.stderr, flush=True)
