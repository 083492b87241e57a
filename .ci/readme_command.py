"""Prints the one command in the ``sh`` block under a heading of the README."""

from __future__ import annotations

import re
import sys
from pathlib import Path


def readme_command(text: str, heading: str) -> str:
    """The command; raises ValueError unless there is exactly one line in exactly one block."""
    section = re.search(rf"^#+ {re.escape(heading)}\n(.*?)(?=^#+ |\Z)", text, re.M | re.S)
    blocks = re.findall(r"^```sh\n(.*?)^```$", section[1] if section else "", re.M | re.S)
    lines = [line for block in blocks for line in block.splitlines() if line.strip()]
    if len(lines) != 1:
        raise ValueError(f'expected one command under "{heading}", found {len(lines)}')
    return lines[0]


if __name__ == "__main__":
    readme = Path(__file__).parent.parent / "README.md"
    print(readme_command(readme.read_text("utf-8"), sys.argv[1]))
