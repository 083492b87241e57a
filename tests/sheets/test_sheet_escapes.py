"""Other people's texts stay texts in a sheet, as HTML and as Markdown.

Sources: Python's ``html.parser``; markdown-it, an implementation of CommonMark and of GitHub's
tables that is not ours; ECMA-48 and UAX #9 for what steers (``tests/evil_texts.py``).
"""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from markdown_it import MarkdownIt
from markdown_it.token import Token

from adapters.commands.main import main
from adapters.printable import printable
from tests.commands.test_other_peoples_texts import all_rude
from tests.evil_texts import assert_harmless

SCHEMA = Path(__file__).parents[2] / "schemas" / "games" / "tidewright.schema.toml"
RUDE = [
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "</td></tr></table><h1>Wren</h1>",
    "&lt;b&gt; & &amp;",
    "a | b || c",
    "**bold** _leaning_ `code` ~~gone~~",
    "[a link](https://example.org) ![a picture](x.png)",
    "https://example.org www.example.org wren@example.org",
    "<https://example.org>",
    "# no heading",
    "1. no list",
    "- no list",
    "\\| \\` \\\\",
    "``` no fence",
    "$x$ [^1] :smile:",
    '" onmouseover="alert(1)',
    "\N{HEBREW LETTER SHIN}\N{HEBREW LETTER LAMED}\N{HEBREW LETTER VAV} abc",
]


class Elements(HTMLParser):
    """The elements of a page with their attributes, and the text in each ``bdi``."""

    def __init__(self) -> None:
        super().__init__()
        self.found: set[str] = set()
        self.texts: list[str] = []
        self._in_bdi = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found |= {tag, *(f"{tag} {name}" for name, _ in attrs)}
        self._in_bdi = tag == "bdi"
        if self._in_bdi:
            self.texts.append("")

    def handle_endtag(self, tag: str) -> None:
        self._in_bdi = False

    def handle_data(self, data: str) -> None:
        if self._in_bdi:
            self.texts[-1] += data


OURS = {
    *("html", "html lang", "head", "meta", "meta charset", "meta http-equiv", "meta content"),
    *("meta name", "title", "style", "body", "main", "header", "footer", "section"),
    *("section class", "h1", "h2", "h3", "p", "ul", "li", "div", "div class", "table", "thead"),
    *(
        "tbody",
        "tbody class",
        "tr",
        "tr class",
        "th",
        "th scope",
        "th colspan",
        "td",
        "td colspan",
        "bdi",
    ),
    *("bdi class", "code", "code class", "samp", "samp class", "b", "small", "pre", "pre role"),
    *("pre aria-label", "span", "span class"),
}


@pytest.fixture(scope="module")
def bridge(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bridge file whose labels, groups, steps and hints are all rude."""
    directory = tmp_path_factory.mktemp("escapes")
    places = ["courier.mood", "courier.held.mood", "courier.mood + 1", "owner(actor_head)"]
    tables = []
    for number, text in enumerate(RUDE):
        quoted = '"' + "".join(f"\\U{ord(letter):08X}" for letter in text) + '"'
        tables += [
            f"[[watches]]\nname = 'w{number}_{place}'\nlabel = {quoted}\ngroup = {quoted}\n"
            f"expr = '{expr}'\n"
            for place, expr in enumerate(places)
        ]
        tables.append(f"[[steps]]\nname = {quoted}\nhint = {quoted}\ndone = 'courier.mood == 1'\n")
    path = directory / "t.bridge.toml"
    path.write_text(
        f"schema = '{SCHEMA.as_posix()}'\n[source]\nkind = 'file'\npath = 'n.bin'\n"
        + "".join(tables),
        "utf-8",
    )
    return path


def test_in_html_they_are_text(bridge: Path, tmp_path: Path) -> None:
    path = tmp_path / "t.html"
    assert main(["sheet", str(bridge), "--html", str(path)]) == 0
    page = Elements()
    page.feed(path.read_text("utf-8"))
    assert page.found <= OURS
    assert "bdi" in page.found
    for text in RUDE:
        assert page.texts.count(printable(text)) >= 6, text


def test_in_markdown_they_are_text(bridge: Path, tmp_path: Path) -> None:
    path = tmp_path / "t.md"
    assert main(["sheet", str(bridge), "--markdown", str(path)]) == 0
    text = path.read_text("utf-8")
    plain, github = MarkdownIt("commonmark").enable("table"), MarkdownIt("gfm-like")
    github.options["linkify"] = False
    for parser in (plain, github):
        tokens = [each for token in parser.parse(text) for each in (token, *(token.children or []))]
        kinds = {token.type for token in tokens}
        assert not kinds & {"link_open", "image", "html_block", "html_inline", "em_open", "s_open"}
        columns = {_columns(row) for row in _rows(tokens)}
        assert columns <= {2, 3, 5, 6}
        shown = "\n".join(token.content for token in tokens if token.type == "inline")
        read = "\n".join(
            "".join(child.content for child in token.children or [])
            for token in tokens
            if token.type == "inline"
        )
        assert shown != read
        for rude in RUDE:
            assert read.count(printable(rude)) >= 6, rude


def _rows(tokens: list[Token]) -> list[list[Token]]:
    rows: list[list[Token]] = []
    for token in tokens:
        if token.type == "tr_open":
            rows.append([])
        elif rows:
            rows[-1].append(token)
    return rows


def _columns(row: list[Token]) -> int:
    end = next(n for n, token in enumerate(row) if token.type == "tr_close")
    return sum(token.type in ("td_open", "th_open") for token in row[:end])


def test_no_bare_address_is_left_for_a_reader_to_make_a_link_of(
    bridge: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """GitHub Flavored Markdown 0.29, section 6.9: what it would make links of."""
    assert main(["sheet", str(bridge)]) == 0
    printed = capsys.readouterr().out
    assert re.search(r"(?<!`)\b(https?://|www\.|\w@\w)", printed) is None


@pytest.mark.parametrize("form", ["--html", "--markdown"])
def test_what_steers_is_written_as_an_escape(form: str, tmp_path: Path) -> None:
    bridge = all_rude(tmp_path)
    path = tmp_path / "out"
    assert main(["sheet", str(bridge), form, str(path)]) == 0
    text = path.read_text("utf-8")
    assert_harmless(text)
    assert re.search(r"Wren\\+x1b", text)
