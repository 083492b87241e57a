"""A sheet's page as chromium prints it, on A4 and on Letter, looked at page by page.

Source: poppler's ``pdftotext -bbox``, which tells on which page and where each word of a PDF is.
Sizes of paper: ISO 216 (A4) and ANSI/ASME Y14.1 (A, "Letter").
"""

from __future__ import annotations

import base64
import json
import re
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from html import unescape
from pathlib import Path

import pytest

from adapters.commands.main import main
from tests.adapters.accessibility import serious_violations
from tests.adapters.browser import Page

pytestmark = [
    pytest.mark.needs("chromium", "chromium"),
    pytest.mark.needs("poppler-utils", "pdftotext"),
    pytest.mark.asyncio(loop_scope="module"),
]

SCHEMA = Path(__file__).parents[2] / "schemas" / "games" / "tidewright.schema.toml"
INCH, MILLIMETRE = 72.0, 72.0 / 25.4
PAPERS = {
    "A4": (210 * MILLIMETRE, 297 * MILLIMETRE),
    "Letter": (8.5 * INCH, 11 * INCH),
}
MARGIN = 13.5 * MILLIMETRE
RTL = (
    "\N{HEBREW LETTER SHIN}\N{HEBREW LETTER LAMED}\N{HEBREW LETTER VAV}\N{HEBREW LETTER FINAL MEM}"
)
PLACES = [
    *("courier.position.x", "low(courier.position.z)", "courier.facing", "courier.held.mood"),
    *("low(courier.held.position.x)", "current_room.name", "actor_head.next.flags"),
    *("distance(courier.position, courier.held.position)", "change(courier.position.x)"),
    *('len([a for a in chain(actor_head, "next") if a.kind == 2])', "block(courier.held).index"),
]
TARGETS = {0: "{ near = 1.5, within = 0.1 }", 1: "{ between = [0x2000, 0x2FFF] }"}


@dataclass(frozen=True)
class Word:
    text: str
    page: int
    left: float
    top: float
    right: float
    bottom: float


FIXED = ["courier.position.x", "courier.facing"]
FULL = pytest.mark.full


def bridge_of(count: int, directory: Path, places: Sequence[str] = PLACES, steps: int = 30) -> Path:
    """So many watches; the label of each begins and ends with a word of its own, and wraps."""
    tables = []
    for number in range(count):
        middle = ("wind over the harbour wall " * (number % 4)).strip()
        if number % 7 == 0:
            middle = f"{RTL} {middle}"
        if number % 11 == 0:
            middle += " " + "x" * 70
        place = number % len(places)
        target = f"target = {TARGETS[place]}\n" if place in TARGETS else ""
        tables.append(
            f"[[watches]]\nname = 'w{number}'\nlabel = 'b{number}q {middle} e{number}q'\n"
            f"group = 'Group {number % 5}'\nexpr = {json.dumps(places[place])}\n{target}"
        )
    for number in range(steps):
        tables.append(
            f"[[steps]]\nname = 'b{300 + number}q carry it{' far' * (number % 9)} "
            f"e{300 + number}q'\n"
            f"hint = 'b{400 + number}q keep to the wall e{400 + number}q'\n"
            f"done = 'courier.mood == {number}'\nfail = 'courier.held == 0'\n"
            "window = { after = 'courier.held != 0', frames = [11, 14] }\n"
        )
    path = directory / "many.bridge.toml"
    head = f'schema = {json.dumps(str(SCHEMA))}\n[source]\nkind = "file"\npath = "none.bin"\n'
    path.write_text(head + "".join(tables), "utf-8")
    return path


def words_of(pdf: Path, size: tuple[float, float]) -> list[Word]:
    done = subprocess.run(
        ["pdftotext", "-bbox", str(pdf), "-"], capture_output=True, check=True, timeout=60
    )
    found: list[Word] = []
    number = 0
    for line in done.stdout.decode("utf-8").splitlines():
        page = re.search(r'<page width="([\d.]+)" height="([\d.]+)">', line)
        if page:
            number += 1
            assert abs(float(page[1]) - size[0]) < 1
            assert abs(float(page[2]) - size[1]) < 1
        word = re.search(r"<word ((?:\w+=\"[\d.-]+\" ?){4})>(.*)</word>", line)
        if word:
            left, top, right, bottom = map(float, re.findall(r"[\d.-]+", word[1]))
            found.append(Word(unescape(word[2]), number, left, top, right, bottom))
    assert found
    return found


async def printed(page: Page, html: Path, paper: str, directory: Path) -> list[Word]:
    """The words of the page on paper, where the screen is a dark one."""
    width, height = PAPERS[paper]
    await page.emulate(prefers_color_scheme="dark")
    await opened(page, html)
    answer = await page.call("Page.printToPDF", paperWidth=width / INCH, paperHeight=height / INCH)
    pdf = directory / f"{paper}.pdf"
    pdf.write_bytes(base64.b64decode(answer["data"]))
    return words_of(pdf, (width, height))


async def opened(page: Page, html: Path) -> None:
    await page.open(html.as_uri())
    await page.wait_for("document.readyState", "complete")


def sheet(bridge: Path, directory: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    html = directory / "sheet.html"
    assert main(["sheet", str(bridge), "--html", str(html)]) == 0
    capsys.readouterr()
    return html


def labels(words: Sequence[Word]) -> list[tuple[Word, Word]]:
    """Of each place where a label stands, its first and its last word."""
    marks = [word for word in words if re.fullmatch(r"[be]\d+q:?", word.text)]
    pairs = list(zip(marks[::2], marks[1::2], strict=True))
    for first, last in pairs:
        assert first.text.strip(":q")[1:] == last.text.strip(":q")[1:]
    return pairs


def outside(words: Sequence[Word], width: float, height: float) -> list[Word]:
    """What is in the margins, but for the page's number in the lower one."""
    return [
        word
        for word in words
        if word.left < MARGIN
        or word.right > width - MARGIN
        or word.top < MARGIN
        or (word.bottom > height - MARGIN and not re.fullmatch(r"\d+|/", word.text))
    ]


@pytest.mark.parametrize(
    ("paper", "count"),
    [("A4", 26), *(pytest.param(paper, 200, marks=FULL) for paper in PAPERS)],
)
async def test_no_row_is_cut_and_nothing_is_in_the_margins(
    paper: str, count: int, page: Page, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    html = sheet(bridge_of(count, tmp_path, steps=count // 3), tmp_path, capsys)
    words = await printed(page, html, paper, tmp_path)
    width, height = PAPERS[paper]
    assert outside(words, width, height) == []
    found = labels(words)
    assert len({first.text for first, _ in found}) == count + 2 * (count // 3)
    assert [(a, b) for a, b in found if a.page != b.page] == []
    # many were long enough to be cut, and many pages end between two rows
    assert sum(last.top > first.bottom for first, last in found) > count // 2
    assert max(word.page for word in words) > count // 5


@pytest.mark.parametrize(
    ("paper", "count"),
    [("Letter", 90), *(pytest.param(paper, 200, marks=FULL) for paper in PAPERS)],
)
async def test_the_head_of_a_table_comes_again_on_each_page(
    paper: str, count: int, page: Page, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    html = sheet(bridge_of(count, tmp_path, FIXED), tmp_path, capsys)
    words = await printed(page, html, paper, tmp_path)
    rows = [first for first, _ in labels(words) if int(first.text.strip(":q")[1:]) < count]
    tables = {"remarks": 0, "export": 0}
    for number in {row.page for row in rows}:
        # half a column's head is the name of the column
        first = min((row for row in rows if row.page == number), key=lambda row: row.top)
        above = {word.text for word in words if word.page == number and word.bottom <= first.top}
        heads = [head for head in tables if head in above]
        assert heads, f"page {number} has rows without a head"
        tables[heads[-1]] += 1
    assert min(tables.values()) >= 2
    # a group's name is not left behind at the foot of a page
    for group in (word for word in words if word.text == "Group"):
        below = [row for row in rows if row.page == group.page and row.top > group.top]
        assert below, group


LONG = "Lighthouse_keeper_of_the_northern_harbour_and_of_all_the_buoys_before_it"
WIDE = f"""
[game]
name = "{"Tidewright" * 12}"
[memory]
endian = "little"
pointer_size = 8
regions = [ {{ name = "ram", start = 0x7F00_8000_0000_0000, size = 0x4_0000 }} ]
[enums.{LONG}]
base = "u64"
values = {{ {LONG}_a = 1, {LONG}_b = 2 }}
[structs.Gull.fields]
{LONG} = {{ at = 0x8, type = "{LONG}" }}
next = {{ at = 0x10, type = "Gull*" }}
[symbols]
gull = "Gull"
led = "Gull*"
text = "char[200]"
"""


async def test_whatever_is_long_stays_on_the_page(
    page: Page, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Addresses of sixteen digits, five builds, names and texts without a space."""
    schema = WIDE + "".join(
        f"[builds.{LONG}-{n}]\nrecognise = [ {{ at = 0x7F00_8000_0000_0400, "
        f'text = "{n} {"tide" * 30}" }} ]\n[builds.{LONG}-{n}.at]\n'
        f"gull = 0x7F00_8000_0000_{n + 1:X}000\nled = 0x7F00_8000_0000_{n + 1:X}400\n"
        f"text = 0x7F00_8000_0000_{n + 1:X}800\n"
        for n in range(5)
    )
    (tmp_path / "t.schema.toml").write_text(schema, "utf-8")
    wanted = json.dumps("x" * 90)
    watches = (
        ("text", wanted),
        (f"gull.{LONG}", f'"{LONG}_a"'),
        (f"led.next[-3].{LONG}", f'"{LONG}_b"'),
        (f"led.next.{LONG} * 100000000000 + gull.{LONG}", "3"),
    )
    bridge = tmp_path / "t.bridge.toml"
    bridge.write_text(
        'schema = "t.schema.toml"\n[source]\nkind = "file"\npath = "none.bin"\n'
        + "".join(
            f"[[watches]]\nname = '{LONG}_{n}'\nexpr = '{text}'\ntarget = {{ equals = {to} }}\n"
            for n, (text, to) in enumerate(watches)
        ),
        "utf-8",
    )
    html = sheet(bridge, tmp_path, capsys)
    for paper, (width, height) in PAPERS.items():
        words = await printed(page, html, paper, tmp_path)
        assert outside(words, width, height) == []
        there = {word.text for word in words}
        assert "7F00800000005008" in there
        assert "7F00800000005400" in there


async def test_on_paper_it_is_black_on_white(
    page: Page, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    html = sheet(bridge_of(9, tmp_path, steps=1), tmp_path, capsys)
    await page.emulate(prefers_color_scheme="dark")
    await opened(page, html)
    colours = (
        "[getComputedStyle(document.body).color, getComputedStyle(document.body).backgroundColor]"
    )
    assert await page.evaluate(colours) == ["rgb(230, 233, 226)", "rgb(15, 24, 30)"]
    await page.emulate(prefers_color_scheme="light")
    assert await page.evaluate(colours) == ["rgb(26, 35, 40)", "rgb(246, 243, 233)"]
    await page.call("Emulation.setEmulatedMedia", media="print")
    assert await page.evaluate(colours) == ["rgb(0, 0, 0)", "rgb(255, 255, 255)"]
    await page.call("Emulation.setEmulatedMedia", media="")


async def test_it_is_accessible(
    page: Page, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Source: axe-core, for headings, tables, names and contrast."""
    bridge = bridge_of(3, tmp_path, [PLACES[1], PLACES[4], PLACES[10]], steps=1)
    html = sheet(bridge, tmp_path, capsys)
    await opened(page, html)
    assert await serious_violations(page) == []
    await page.emulate(prefers_color_scheme="dark")
    assert await serious_violations(page, runOnly=["color-contrast"]) == []


async def test_a_narrow_screen_scrolls_tables_and_not_the_page(
    page: Page, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    html = sheet(bridge_of(len(PLACES), tmp_path, steps=1), tmp_path, capsys)
    await page.resize(400, 800)
    await opened(page, html)
    assert await page.evaluate("document.documentElement.scrollWidth <= innerWidth")
