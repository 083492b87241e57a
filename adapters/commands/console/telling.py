"""Lines on standard error that are not the log: why a command ends, and what it has to say."""

from __future__ import annotations

import sys

from adapters.printable import printable_message

__all__ = ["tell"]


def tell(words: object, begin: str = "lowhalf: ") -> None:
    """Print an error or a sentence behind *begin*; other people's names in it steer nothing."""
    print(f"{begin}{printable_message(str(words))}", file=sys.stderr, flush=True)
