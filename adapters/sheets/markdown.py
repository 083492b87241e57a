"""A sheet as Markdown (CommonMark, with the tables of GitHub's flavour).

What a text has of Markdown's own signs is escaped, so that it says what it says: CommonMark 0.31,
section 2.4, backslash escapes; and code in ticks longer than any in it, section 6.1.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from adapters.printable import printable
from bridge.sheet.document import (
    Block,
    Cell,
    Document,
    Points,
    Prose,
    Row,
    Section,
    Style,
    Sums,
    Table,
    Text,
)
from bridge.sheet.worked import Worked

__all__ = ["MAX_REPEATED", "markdown_of"]

_SIGNS = re.compile(r"[\\`*_{}\[\]<>#|&~@!$^]")
_ADDRESS = re.compile(r"(?<=\w)(?=://)|(?<=www)(?=\.)", re.IGNORECASE)
"""Where GitHub's flavour would make a link of a bare address."""
MAX_REPEATED = 24
"""Letters of a cell over several columns that stand in each of them; Markdown has no such cells."""


def markdown_of(document: Document) -> str:
    """The file's text."""
    blocks = [f"# {_inline(document.title)}", *(f"- {_inline(line)}" for line in document.lines)]
    head = "\n".join([blocks[0], "", *blocks[1:]])
    parts = [head, *(part for section in document.sections for part in _section(section))]
    return "\n\n".join([*parts, f"---\n\n{_inline(document.foot)}"]) + "\n"


def _section(section: Section) -> Iterator[str]:
    yield f"{'#' * section.level} {_inline(section.title)}"
    for block in section.blocks:
        yield _block(block)


def _block(block: Block) -> str:
    if isinstance(block, Prose):
        return _inline(block.text)
    if isinstance(block, Points):
        return "\n".join(f"- {_inline(item)}" for item in block.items)
    if isinstance(block, Table):
        return "\n".join(_table(block))
    return "\n\n".join(map(_sum, block.worked)) if isinstance(block, Sums) else ""


def _table(table: Table) -> Iterator[str]:
    yield f"| {' | '.join(_inline(head, in_table=True) for head in table.heads)} |"
    yield f"| {' | '.join('---' for _ in table.heads)} |"
    for row in table.rows:
        yield f"| {' | '.join(_cells(row, len(table.heads)))} |"


def _cells(row: Row, columns: int) -> Iterator[str]:
    if row.heading:
        words = _inline(row.cells[0].text, in_table=True)
        yield from [f"**{words}**" if words else "", *[""] * (columns - 1)]
        return
    for cell in row.cells:
        yield from _cell(cell)


def _cell(cell: Cell) -> Iterator[str]:
    words = _inline(cell.text, in_table=True)
    short = sum(len(span.text) for span in cell.text) <= MAX_REPEATED
    yield from [words, *[words if short else ""] * (cell.span - 1)]


def _inline(text: Text, *, in_table: bool = False) -> str:
    return "".join(_span(span.text, span.style, in_table) for span in text)


def _span(text: str, style: Style, in_table: bool) -> str:
    told = printable(text)
    if style in (Style.CODE, Style.DIGITS):
        return _code(told, in_table)
    escaped = _escaped(told)
    if style is Style.STRONG and escaped:
        return f"**{escaped}**"
    return escaped


def _code(text: str, in_table: bool) -> str:
    if not text:
        return ""
    longest = max((len(run) for run in re.findall(r"`+", text)), default=0)
    ticks = "`" * (longest + 1)
    room = " " if text[:1] in "` " or text[-1:] in "` " else ""
    # a table is divided before code is looked for
    told = text.replace("|", r"\|") if in_table else text
    return f"{ticks}{room}{told}{room}{ticks}"


def _escaped(text: str) -> str:
    return _ADDRESS.sub(r"\\", _SIGNS.sub(r"\\\g<0>", text))


def _sum(worked: Worked) -> str:
    step = worked.step
    lines = [
        f"  {_spaced(step.carries)}".rstrip(),
        f"  {_spaced(step.before)}   {worked.letter}, for example",
        f"{step.sign} {_spaced(step.operand)}",
        f"= {_spaced(step.after)}",
    ]
    if not step.carries.strip():
        del lines[0]
    return "\n".join(["```text", *lines, "```"])


def _spaced(digits: str) -> str:
    return " ".join(digits)
