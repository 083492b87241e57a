"""What a person does at the desk page and reads there, by a browser's tab."""

from __future__ import annotations

import json
from typing import Any

from tests.adapters.browser import Page
from tests.adapters.canned_desk import CannedDesk

LINK = "document.body?.dataset.link"


async def show(page: Page, desk: CannedDesk) -> None:
    """Open the page, and wait for the live game."""
    await page.open(desk.url)
    await page.wait_for(LINK, "live")


def part(watch: str, name: str) -> str:
    return f"document.querySelector('[data-watch={watch}] .{name}')?.textContent"


def text(selector: str) -> str:
    return f"document.querySelector({json.dumps(selector)})?.textContent"


def texts(selector: str) -> str:
    return f"[...document.querySelectorAll({json.dumps(selector)})].map((e) => e.textContent)"


def cells(selector: str) -> str:
    """What the parts of each such element say."""
    return (
        f"[...document.querySelectorAll({json.dumps(selector)})].map((row) => "
        "[...row.children].map((cell) => cell.textContent))"
    )


async def press(page: Page, key: str, **more: Any) -> None:
    """A key as the keyboard gives it; one character also writes."""
    names = {" ": "Space", "/": "Slash", "=": "Equal", "?": "Slash"}
    codes = {
        "Enter": 13, "Tab": 9, "Escape": 27, "PageUp": 33, "PageDown": 34, "End": 35, "Home": 36,
        "ArrowLeft": 37, "ArrowUp": 38, "ArrowRight": 39, "ArrowDown": 40,
    }  # fmt: skip
    event: dict[str, Any] = {"key": key, "code": names.get(key, key), **more}
    event["windowsVirtualKeyCode"] = codes.get(key, ord(key[0].upper()) if len(key) == 1 else 0)
    if len(key) == 1:
        event["text"] = key
    elif key == "Enter":
        event["text"] = "\r"
    await page.call("Input.dispatchKeyEvent", type="keyDown", **event)
    event.pop("text", None)
    await page.call("Input.dispatchKeyEvent", type="keyUp", **event)


async def write(page: Page, words: str) -> None:
    await page.call("Input.insertText", text=words)


async def choose(page: Page, watch: str) -> None:
    await page.evaluate(f"document.querySelector('[data-watch={watch}]').click(); 0")
