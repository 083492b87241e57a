"""Other people's text on the pages: what steers an eye is seen there as well, as an escape.

Sources: Unicode's UAX #9 (marks of direction), its emoji-variation-sequences.txt and, for joiners,
chapter 23.2 of the standard; the browser's own tables of Unicode's properties.
"""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from adapters.printable import printable
from tests.adapters.browser import Page, new_page
from tests.adapters.canned_desk import CannedDesk, desks, full_desk
from tests.adapters.canned_practice import failed, timing
from tests.evil_texts import EVIL, LONE, STEERING, assert_harmless

PAGES = Path(__file__).parents[2] / "adapters" / "outputs" / "pages"
RUDE = EVIL + LONE

in_a_browser = pytest.mark.needs("chromium", "chromium")


@pytest.fixture
async def desk() -> AsyncIterator[CannedDesk]:
    async with desks() as server, server.showing(full_desk()) as shown:
        yield shown


@pytest.fixture
async def page(browser: str) -> AsyncIterator[Page]:
    async with new_page(browser, 1280, 720) as opened:
        yield opened
        assert opened.faults == []


async def shown(page: Page, texts: list[str]) -> list[str]:
    """Each text as the pages show it."""
    found: Any = await page.evaluate(
        "(async () => {const {printable} = await import('/pages/shared/printable.js');"
        f"return {json.dumps(texts)}.map(printable)}})()"
    )
    return list(found)


@in_a_browser
async def test_the_pages_have_the_same_rule_as_terminals(page: Page, desk: CannedDesk) -> None:
    """All that is rude, and every letter below U+3000 and of the blocks of odd letters above."""
    await page.open(desk.url)
    rude = [*STEERING.values(), RUDE, "⚓\ufe0f\ufe0f", "a\ufe0f", "1\ufe0f\u20e3", "🏮 Lampenöl"]
    assert await shown(page, rude) == [printable(text) for text in rude]
    odd = [
        *range(0x3000),
        *range(0xD7F0, 0xE010),
        *range(0xFE00, 0x10000),
        *range(0xE0000, 0xE0200),
    ]
    letters = [chr(code) for code in odd]
    found = await shown(page, letters)
    assert sum(one != letter for letter, one in zip(letters, found, strict=True)) > 1000
    # which letters are assigned depends on the version of Unicode; what steers has long been there
    differ = [
        f"U+{ord(letter):04X}"
        for letter, one in zip(letters, found, strict=True)
        if one == letter and printable(letter) != letter and letter not in "\xa0"
    ]
    spaces = [f"U+{code:04X}" for code in (0x1680, *range(0x2000, 0x200B), 0x202F, 0x205F, 0x3000)]
    assert set(differ) <= set(spaces) | set(_newer(differ))


def _newer(codes: list[str]) -> list[str]:
    """Those that this Python's Unicode has not assigned yet."""
    return [code for code in codes if unicodedata.category(chr(int(code[2:], 16))) == "Cn"]


@in_a_browser
async def test_joiners_stay_where_letters_and_pictures_need_them(
    page: Page, desk: CannedDesk
) -> None:
    await page.open(desk.url)
    kept = ["می\u200cخواهم", "क्\u200dष", "👩\u200d🚀", "👩🏽\u200d🚀", "❤\ufe0f\u200d🔥"]
    assert await shown(page, kept) == kept
    hidden = ["oi\u200dl", "\u200coil", "oil\u200d", "5\u200c6", "👩\u200dx"]
    assert await shown(page, hidden) == [
        *("oi\\u200dl", "\\u200coil", "oil\\u200d", "5\\u200c6", "👩\\u200dx")
    ]


FREE = {
    *("text", "label", "group", "expression", "reason", "target_text", "words", "hint", "step"),
    *("source", "build", "damaged", "state", "type", "owner", "owners", "title", "note", "said"),
}
"""Keys of what a server says whose texts come from others."""


def made_rude(value: Any, *, free: bool = False) -> Any:
    """The same with each such text rude."""
    if isinstance(value, dict):
        return {key: made_rude(held, free=key in FREE) for key, held in value.items()}
    if isinstance(value, list):
        return [made_rude(held, free=free) for held in value]
    return RUDE if free and isinstance(value, str) and value else value


@in_a_browser
async def test_nothing_on_the_desk_steers_an_eye(page: Page, desk: CannedDesk) -> None:
    """Texts, and what is read aloud or shown on hovering."""
    desk.snapshot = made_rude(desk.snapshot)
    desk.files = made_rude(desk.files)
    await page.open(desk.url)
    await page.wait_for("document.body?.dataset.link", "live")
    label = "document.querySelector('[data-watch=oil] .label')?.textContent"
    await page.wait_for(label, printable(RUDE))
    said: Any = await page.evaluate(
        "[...document.querySelectorAll('*')].flatMap((e) => [...e.attributes].map((a) => a.value))"
        ".concat(document.body.textContent, document.title)"
    )
    for each in said:
        assert_harmless("".join(c for c in each if not "\udc00" <= c <= "\udfff" or c in LONE))
    assert sum(r"Wren\x1b[2J" in each for each in said) >= 3
    assert "".join(said).count(r"Wren\x1b[2J") > 40


@in_a_browser
async def test_nothing_on_the_practice_page_steers_an_eye(page: Page, desk: CannedDesk) -> None:
    """The same, with warnings, a next step and a way that failed."""
    desk.snapshot = made_rude(failed(timing("early", 2, 39)))
    desk.by_hand = lambda what: (RUDE, 200)
    await page.open(desk.url.replace("/desk", "/practice"))
    await page.wait_for("document.getElementById('step').textContent", printable(RUDE))
    await page.evaluate("document.querySelector('.hand.count').click(); 0")
    await page.wait_for("document.getElementById('told').textContent", printable(RUDE))
    said: Any = await page.evaluate(
        "[...document.querySelectorAll('*')].flatMap((e) => [...e.attributes].map((a) => a.value))"
        ".concat(document.body.textContent, document.title)"
    )
    for each in said:
        assert_harmless("".join(c for c in each if not "\udc00" <= c <= "\udfff" or c in LONE))
    assert "".join(said).count(r"Wren\x1b[2J") >= 8


# -- what goes in other than by ``put``

SINKS = re.compile(
    r"""\.textContent\s*=[^=] | \.innerText\s*=[^=] | \.innerHTML | insertAdjacent | createTextNode
      | \.title\s*=[^=] | document\.title | fillText\( | strokeText\( | \balert\( | \bconfirm\(
      | setAttribute\("(?:aria-label|title|alt|aria-description|aria-valuetext)" """,
    re.VERBOSE,
)
OWN_WORDS = re.compile(r'setAttribute\("[a-z-]+", "[^"]*"\)')


def test_every_way_onto_a_page_goes_through_the_rule() -> None:
    """A new one that does not is named here."""
    found = []
    for path in sorted(PAGES.rglob("*.js")):
        for number, line in enumerate(path.read_text("utf-8").splitlines(), 1):
            if not SINKS.search(line) or OWN_WORDS.search(line) or "printable(" in line:
                continue
            found.append(f"{path.name}:{number}: {line.strip()}")
    assert [line.split(": ", 1)[1] for line in found] == [
        # the page's own title
        "const TITLE = document.title;",
        "document.title = shown.isLive ? TITLE : `not live: ${TITLE}`;",
        'this.title = child(element, "", "h3");',  # elements of ours, of that name
        'this.title = child(head, "name");',
        # seconds
        "if (x + 3 + wide < this.width) pen.fillText(text, x + 3, bottom - 4);",
        # a plan's strips: elements of ours, and what they are called
        'this.title = child(parent, "aside", "p");',
        'this.list.setAttribute("aria-label", label);',
        'this.title = child(parts.result, "of", "p");',
        "element.textContent = shown;",
    ]
