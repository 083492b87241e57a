"""A sheet as one HTML page that needs nothing else: no network, no script, no picture."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator, Sequence
from html import escape
from importlib.resources import files

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

__all__ = ["MAX_UNBROKEN", "MAX_WHOLE", "MAX_WORD", "html_of"]

MAX_WHOLE = 14
"""Rows of a recipe, or below one heading, that are kept on one page."""
MAX_UNBROKEN = 24
"""Letters of an address or a value that stay on one line."""
MAX_WORD = 18
"""Letters of a word for which every column has room."""

_ELEMENTS = {
    Style.THEIRS: "bdi",
    Style.CODE: "code",
    Style.DIGITS: "samp",
    Style.STRONG: "b",
    Style.ASIDE: "small",
}


def html_of(document: Document) -> str:
    """The page's text.

    Its policy allows its own style, known by its digest, and nothing else that would be loaded.
    """
    style = files("adapters.sheets").joinpath("sheet.css").read_text("utf-8")
    digest = base64.b64encode(hashlib.sha256(f"\n{style}".encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    body = "\n".join(_body(document))
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(_plain(document.title))}</title>\n<style>\n{style}</style>\n</head>\n"
        f"<body>\n<main>\n{body}\n</main>\n</body>\n</html>\n"
    )


def _plain(text: Text) -> str:
    return "".join(printable(span.text) for span in text)


def _inline(text: Text) -> str:
    return "".join(_span(span.text, span.style) for span in text)


def _span(text: str, style: Style) -> str:
    told = printable(text)
    element = _ELEMENTS.get(style, "span")
    # what has no room in a column may be broken anywhere, a shorter word not
    long = max(map(len, told.split()), default=0) > MAX_WORD
    if style in (Style.DIGITS, Style.NUMBER):
        long = len(told) > MAX_UNBROKEN
    if style is Style.OURS and not long:
        return escape(told)
    kind = ' class="long"' if long else ""
    return f"<{element}{kind}>{escape(told)}</{element}>"


def _body(document: Document) -> Iterator[str]:
    yield f"<header>\n<h1>{_inline(document.title)}</h1>\n<ul>"
    yield from (f"<li>{_inline(line)}</li>" for line in document.lines)
    yield "</ul>\n</header>"
    for section in document.sections:
        yield from _section(section)
    yield f"<footer>{_inline(document.foot)}</footer>"


def _section(section: Section) -> Iterator[str]:
    rows = sum(len(block.rows) for block in section.blocks if isinstance(block, Table))
    short = " whole" if rows <= MAX_WHOLE else ""
    kind = "" if section.level == 2 else f' class="part{short}"'
    yield f"<section{kind}>\n<h{section.level}>{_inline(section.title)}</h{section.level}>"
    for block in section.blocks:
        yield from _block(block)
    yield "</section>"


def _block(block: Block) -> Iterator[str]:
    if isinstance(block, Prose):
        yield f"<p>{_inline(block.text)}</p>"
    elif isinstance(block, Points):
        yield "<ul>"
        yield from (f"<li>{_inline(item)}</li>" for item in block.items)
        yield "</ul>"
    elif isinstance(block, Table):
        yield from _table(block)
    else:
        yield from _sums(block)


def _table(table: Table) -> Iterator[str]:
    """A table; rows under a heading of their own are held together by a body of their own."""
    yield '<div class="wide"><table>\n<thead><tr>'
    yield "".join(f'<th scope="col">{_inline(head)}</th>' for head in table.heads)
    yield "</tr></thead>"
    for group in _groups(table.rows):
        whole = ' class="whole"' if len(group) <= MAX_WHOLE and group[0].heading else ""
        yield f"<tbody{whole}>"
        yield from map(_row, group)
        yield "</tbody>"
    yield "</table></div>"


def _groups(rows: Sequence[Row]) -> list[list[Row]]:
    """Rows with the heading above them."""
    groups: list[list[Row]] = []
    for row in rows:
        if row.heading or not groups:
            groups.append([])
        groups[-1].append(row)
    return groups


def _row(row: Row) -> str:
    if row.heading:
        (cell,) = row.cells
        words = _inline(cell.text)
        return f'<tr class="head"><th scope="rowgroup" colspan="{cell.span}">{words}</th></tr>'
    first, *others = row.cells
    cells = [_cell("th", first, ' scope="row"'), *(_cell("td", cell) for cell in others)]
    return f"<tr>{''.join(cells)}</tr>"


def _cell(element: str, cell: Cell, more: str = "") -> str:
    span = f' colspan="{cell.span}"' if cell.span > 1 else ""
    return f"<{element}{more}{span}>{_inline(cell.text)}</{element}>"


def _sums(sums: Sums) -> Iterator[str]:
    yield '<div class="sums">'
    for worked in sums.worked:
        yield _sum(worked)
    yield "</div>"


def _sum(worked: Worked) -> str:
    step = worked.step
    told = (
        f"for example, where {worked.letter} is {step.before}: "
        f"{step.before} {step.sign} {step.operand} = {step.after}"
    )
    lines = [
        f'<span class="carries">  {_spaced(step.carries)}</span>',
        f"  {_spaced(step.before)}   {worked.letter}, for example",
        f"{step.sign} {_spaced(step.operand)}",
        f'<span class="sum">= {_spaced(step.after)}</span>',
    ]
    if not step.carries.strip():
        del lines[0]
    return f'<pre role="img" aria-label="{escape(told)}">{chr(10).join(lines)}</pre>'


def _spaced(digits: str) -> str:
    return " ".join(digits)
