"""The desk page against the daemon itself, which reads a dump of the demo game."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
import pytest_asyncio

import sample_dumps
from tests.adapters.browser import Page, new_page
from tests.commands.command import Running, lowhalf

pytestmark = [
    pytest.mark.needs("chromium", "chromium"),
    pytest.mark.asyncio(loop_scope="module"),
]

DUMPS = Path(sample_dumps.__file__).parent
NAME = "first-print-carry"


@pytest.fixture(scope="module")
def bridge(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The dump's own bridge file, with pages and groups."""
    text = (DUMPS / f"{NAME}.bridge.toml").read_text("utf-8")
    schema = DUMPS.parent / "schemas" / "games" / "tidewright.schema.toml"
    text = text.replace("../schemas/games/tidewright.schema.toml", schema.as_posix())
    text = text.replace(f"{NAME}.bin.gz", (DUMPS / f"{NAME}.bin.gz").as_posix())
    text = text.replace('name = "held_x_low"', 'name = "held_x_low"\ngroup = "Hand"')
    text += """
[[watches]]
name = "hand"
label = "What the hand points to"
group = "Hand"
expr = "courier.held"

[outputs.overlay]
listen = "127.0.0.1:0"
"""
    path = tmp_path_factory.mktemp("pier") / "pier.bridge.toml"
    path.write_text(text, "utf-8")
    return path


@pytest.fixture(scope="module")
def daemon(bridge: Path) -> Iterator[Running]:
    with Running("run", str(bridge), "--quiet") as running:
        yield running


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def opened(browser: str, daemon: Running) -> AsyncIterator[Page]:
    async with new_page(browser, 1280, 720) as page:
        await page.open(daemon.url() + "desk")
        await page.wait_for("document.body?.dataset.link", "live")
        yield page


@pytest_asyncio.fixture(loop_scope="module")
async def page(opened: Page) -> AsyncIterator[Page]:
    """The desk, with what earlier tests asked; at the end the browser found nothing wrong."""
    yield opened
    assert opened.faults == []


def asking(expression: str) -> str:
    """What writes an expression into its field."""
    return (
        "{const field = document.getElementById('ask');"
        f"field.value = {json.dumps(expression)};"
        "field.dispatchEvent(new Event('input'))}; 0"
    )


async def test_every_value_is_what_the_command_line_reads(page: Page, bridge: Path) -> None:
    read = json.loads(lowhalf("read", str(bridge), "--json").stdout)
    expected = {each["watch"]: each["text"] for each in read["readings"]}
    assert len(expected) == 12
    shown = (
        "Object.fromEntries([...document.querySelectorAll('.entry')].map("
        "(e) => [e.dataset.watch, e.querySelector('.value').textContent]))"
    )
    await page.wait_for(shown, expected)
    groups = "[...document.querySelectorAll('.group-title')].map((e) => e.textContent)"
    assert await page.evaluate(groups) == ["without a group", "Hand"]


async def test_the_working_is_that_of_explain(page: Page, bridge: Path) -> None:
    steps = json.loads(lowhalf("explain", str(bridge), "held_x_low", "--json").stdout)
    await page.evaluate("document.querySelector('[data-watch=held_x_low]').click(); 0")
    await page.wait_for("document.querySelectorAll('.leg').length", len(steps) - 1)
    reached = "[...document.querySelectorAll('.reached')].map((e) => e.textContent)"
    await page.wait_for(
        reached,
        ["80180B60", "80180C9C", "802003D0", "802003FC", "802003FC", "41DB85D8", "802003FE"],
    )
    assert await page.evaluate("document.querySelector('#result .answer').textContent") == "0x85D8"
    part = "[...document.querySelectorAll('.byte[data-kind=part]')].map((e) => e.textContent)"
    assert await page.evaluate(part) == ["85", "D8"]


async def test_the_working_of_a_list_is_that_of_explain(page: Page, bridge: Path) -> None:
    first = "first([a for a in chain(actor_head, 'next')]).room"
    for text in (first, "len([b for b in blocks() if b.used])"):
        steps = json.loads(lowhalf("explain", str(bridge), text, "--json").stdout)
        assert "list" in [step["kind"] for step in steps]
        await page.evaluate(asking(text))
        await page.wait_for(
            "document.querySelector('#result .answer').textContent", steps[-1]["text"]
        )
        kinds = "[...document.querySelectorAll('.leg')].map((e) => e.dataset.kind)"
        await page.wait_for(kinds, [step["kind"] for step in steps[:-1]])


async def test_any_expression_is_worked_out_and_names_are_offered(page: Page, bridge: Path) -> None:
    await page.wait_for("performance.getEntriesByName(location.origin + '/names.json').length > 0")
    await page.evaluate("document.getElementById('ask').focus(); 0")
    await page.call("Input.insertText", text="ledger.picked")
    offers = "[...document.querySelectorAll('#offers .offer')].map((e) => e.textContent)"
    await page.wait_for(offers, ["picked_up"])
    text = 'len([a for a in chain(actor_head, "next") if address(a) == courier.held])'
    await page.evaluate(asking(text))
    await page.wait_for("document.querySelector('#result .answer').textContent", "1")
    await page.evaluate(asking("courier.holding"))
    await page.wait_for(
        "document.querySelector('#ask-fault .caret')?.textContent.split('\\n')[0]",
        "courier.holding",
    )
    fault = await page.evaluate("document.querySelector('#ask-fault .fault').textContent")
    assert fault.startswith("Actor has no field holding")


async def test_the_heap_is_there_though_no_watch_reads_it(page: Page) -> None:
    """The pointer's block is the one that the command line finds: block 2."""
    await page.wait_for("document.querySelectorAll('.pins li').length", 1)
    pin = await page.evaluate("document.querySelector('.pins li').textContent")
    assert pin == "What the hand points to: block 2, lantern, its first byte"
