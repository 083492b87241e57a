"""Markdown tables, and texts that may stand in them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence


def table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table; what divides cells is escaped in them."""
    lines = [heads, ["---"] * len(heads), *rows]
    return "\n".join(f"| {' | '.join(_cell(cell) for cell in line)} |" for line in lines)


def code(text: str) -> str:
    """*text* in code letters."""
    ticks = "``" if "`" in text else "`"
    return f"{ticks}{text}{ticks}"


def _cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")
