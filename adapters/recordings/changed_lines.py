"""Which lines of a region differ between two frames."""

from __future__ import annotations

from bridge.memory.address_map import LINE_SIZE, Span

__all__ = ["changed_lines"]

_BLOCK = LINE_SIZE * 256


def changed_lines(start: int, before: bytes, after: bytes) -> list[tuple[Span, bytes]]:
    """The lines of *after* that differ from *before*, neighbours joined.

    Both are all bytes of a region that begins at guest address *start*.  Whole blocks are compared
    first, since nearly all of them are alike.
    """
    if len(before) != len(after):
        raise ValueError(f"expected {len(before)} bytes, found {len(after)}")
    lines = [
        line
        for block in range(0, len(after), _BLOCK)
        if before[block : block + _BLOCK] != after[block : block + _BLOCK]
        for line in range(block, min(block + _BLOCK, len(after)), LINE_SIZE)
        if before[line : line + LINE_SIZE] != after[line : line + LINE_SIZE]
    ]
    runs: list[tuple[int, int]] = []
    for line in lines:
        end = min(line + LINE_SIZE, len(after))
        if runs and runs[-1][1] == line:
            runs[-1] = (runs[-1][0], end)
        else:
            runs.append((line, end))
    return [(Span(start + first, end - first), after[first:end]) for first, end in runs]
