"""The manual's pages as they are read when the site is built, for the tests of them."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from docs.from_code import with_parts

ROOT = Path(__file__).parent.parent
DOCS = ROOT / "docs"


@cache
def pages() -> dict[str, str]:
    """The text of each page, with its parts from the code, by its path below ``docs/``."""
    return {
        file.relative_to(DOCS).as_posix(): with_parts(file.read_text("utf-8"))
        for file in sorted(DOCS.rglob("*.md"))
    }


def page(path: str) -> str:
    """One of them."""
    return pages()[path]
