"""A pipe with a text stream at its near end."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from io import FileIO
from typing import TextIO


@contextmanager
def pipe() -> Iterator[tuple[FileIO, TextIO]]:
    """The reader's end, and the stream that an output writes to.

    The reader's end is closed first, so that a write that is stuck fails.
    """
    far, near = os.pipe()
    with open(near, "w", encoding="utf-8") as stream, FileIO(far) as reader:
        yield reader, stream
