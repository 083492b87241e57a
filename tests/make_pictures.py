"""Makes the manual's pictures: ``python -m tests.make_pictures [NAME…]``.

They are of the demo itself: its bridge file is run for three laps, then Debian's chromium shows its
pages, and tmux is the terminal.  Needs both programs.  Pictures have few colours, to be small.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import html
import io
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import AsyncIterator, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from PIL import Image, ImageDraw, ImageFont
from rich.console import Console
from rich.terminal_theme import TerminalTheme
from rich.text import Text

from adapters.commands.demo import demo_bridge
from schemas.loader import load_bridge
from tests.adapters.browser import Page, chromium, new_page
from tests.commands.command import Running

ROOT = Path(__file__).parent.parent
DOCS = ROOT / "docs" / "pictures"
SIZES = {
    "terminal.png": (1024, 488),
    "overlay.png": (960, 780),
    "desk-light.png": (1280, 800),
    "desk-dark.png": (1280, 800),
    "look-again.png": (1280, 800),
    "practice.png": (1280, 720),
}
"""Each picture's width and height in pixels."""
MAX_BYTES = 200_000
COLOURS = 128

LAPS = 3
LAP = 20.1
"""Seconds of the recording."""
PLACE = 560
"""Which of its frames is looked at again: shortly before the door, with the lantern in hand."""
STEP = 3
"""The step in which pictures are taken: the lantern is in hand, and targets are hit and missed."""
SHOWN = "watches=held_kind,held_x_low,facing,lantern_away&show=values,steps"
PANELS = [
    ("outline", f"theme=outline&{SHOWN}"),
    ("plate", f"theme=plate&{SHOWN}"),
    ("light", f"theme=light&{SHOWN}"),
    ("dark", f"theme=dark&{SHOWN}"),
    ("contrast", f"theme=contrast&{SHOWN}"),
    ("steps, attempts and heap", "theme=plate&show=steps,attempts,heap"),
]
CHOSEN = ".entry[data-watch=held_x_low]"
"""The watch whose derivation the desk page shows."""
CAPTION = 20
COLUMNS, LINES = 100, 21
NIGHT = TerminalTheme(
    (22, 24, 29),
    (230, 230, 230),
    [
        *((0, 0, 0), (205, 70, 70), (80, 190, 110), (225, 185, 80)),
        *((110, 150, 230), (190, 130, 220), (90, 200, 220), (230, 230, 230)),
    ],
)


def write_bridge(directory: Path) -> Path:
    """The demo's bridge file on a free port, with its attempts kept in *directory*."""
    demo = demo_bridge()
    text = demo.read_text("utf-8")
    for key in ("schema", "path", "gull_in_place"):
        text = re.sub(rf'^{key} = "(.*)"$', partial(_absolute, key, beside=demo), text, flags=re.M)
    text = re.sub(r'^listen = ".*"$', 'listen = "127.0.0.1:0"', text, flags=re.M)
    path = directory / "tidewright.bridge.toml"
    path.write_text(text, "utf-8")
    return path


def _absolute(key: str, found: re.Match[str], beside: Path) -> str:
    return f'{key} = "{(beside.parent / found[1]).resolve().as_posix()}"'


async def wait_for_step(url: str, wanted: int, seconds: float = 90) -> None:
    """Until the runner comes into that step."""
    end = time.monotonic() + seconds
    before = None
    while time.monotonic() < end:
        index = (await asyncio.to_thread(_practice, url)).get("index")
        if index == wanted and before not in (None, wanted):
            return
        before = index
        await asyncio.sleep(0.03)
    raise RuntimeError(f"step {wanted} did not come within {seconds} s")


def _practice(url: str) -> dict[str, Any]:
    try:
        with urllib.request.urlopen(f"{url}frame.json", timeout=5) as answer:
            found: dict[str, Any] = json.load(answer).get("practice") or {}
            return found
    except urllib.error.HTTPError as fault:
        fault.close()
        return {}


def save(picture: Image.Image, name: str) -> None:
    """Write a picture of the docs.  Raises ValueError where its size is not the one stated."""
    if picture.size != SIZES[name]:
        raise ValueError(f"{name}: expected {SIZES[name]}, found {picture.size}")
    few = picture.convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
    few.save(DOCS / name, optimize=True)
    print(f"{name}: {picture.width} × {picture.height}, {(DOCS / name).stat().st_size} bytes")


def opened(picture: bytes) -> Image.Image:
    with Image.open(io.BytesIO(picture)) as image:
        return image.convert("RGBA")


# The overlay


def overlay_sheet(panels: Sequence[bytes]) -> Image.Image:
    """The panels in two columns, each over a painted evening sea and under its name."""
    width, height = SIZES["overlay.png"]
    sheet = Image.new("RGBA", (width, height), (255, 255, 255, 255))
    draw = ImageDraw.Draw(sheet)
    font = ImageFont.load_default(14)
    for number, ((name, _), panel) in enumerate(zip(PANELS, panels, strict=True)):
        image = opened(panel)
        left = number % 2 * (image.width + 8)
        top = number // 2 * (image.height + CAPTION + 4)
        draw.text((left + 4, top + 1), name, fill=(30, 30, 30, 255), font=font)
        sheet.alpha_composite(_sea(*image.size), (left, top + CAPTION))
        sheet.alpha_composite(image, (left, top + CAPTION))
    return sheet


def _sea(width: int, height: int) -> Image.Image:
    """A picture under the overlay, light and dark in turn: sky, sea, a mole, a lamp's light."""
    sea = Image.new("RGBA", (width, height))
    draw = ImageDraw.Draw(sea)
    horizon = height * 2 // 5
    for y in range(height):
        if y < horizon:
            share = y / horizon
            colour = (int(70 + 170 * share), int(90 + 90 * share), int(140 - 20 * share), 255)
        else:
            share = (y - horizon) / (height - horizon)
            colour = (int(60 - 40 * share), int(110 - 60 * share), int(130 - 50 * share), 255)
        draw.line([(0, y), (width, y)], fill=colour)
    draw.rectangle((width * 3 // 5, horizon - 6, width, horizon + 30), fill=(48, 44, 46, 255))
    draw.ellipse((width * 4 // 5, horizon - 60, width * 4 // 5 + 34, horizon - 26), "#fff4c8")
    return sea


def panel_size() -> tuple[int, int]:
    width, height = SIZES["overlay.png"]
    return (width - 8) // 2, height // 3 - CAPTION - 4


@contextlib.asynccontextmanager
async def pages(browser: str, sizes: Sequence[tuple[int, int]]) -> AsyncIterator[list[Page]]:
    async with contextlib.AsyncExitStack() as stack:
        opening = [new_page(browser, *size, still=False) for size in sizes]
        yield [await stack.enter_async_context(page) for page in opening]


async def overlay(browser: str, url: str) -> None:
    async with pages(browser, [panel_size()] * len(PANELS)) as panels:
        for page, (_, query) in zip(panels, PANELS, strict=True):
            await page.open(f"{url}overlay?{query}")
        shots = []
        for page in panels:
            await page.call("Page.bringToFront")  # what is not seen is not painted
            await page.wait_for("document.body?.dataset.link", "live")
            in_time = False
            while not in_time:  # on a busy machine the step may be over
                await wait_for_step(url, STEP)
                await asyncio.sleep(0.8)  # what fades has faded
                shot = await page.picture()
                in_time = (await asyncio.to_thread(_practice, url)).get("index") == STEP
            shots.append(shot)
        save(overlay_sheet(shots), "overlay.png")


# The desk page


async def desk(browser: str, url: str, name: str) -> None:
    scheme = "dark" if "dark" in name else "light"
    async with new_page(browser, *SIZES[name], still=False) as page:
        await page.call(
            "Emulation.setEmulatedMedia",
            features=[{"name": "prefers-color-scheme", "value": scheme}],
        )
        await page.open(f"{url}desk")
        await page.wait_for(f"document.querySelector('{CHOSEN}') !== null")
        for _ in range(2):  # so that the plots have something to show
            await wait_for_step(url, STEP)
        await page.evaluate(f"document.querySelector('{CHOSEN}').click()")
        await asyncio.sleep(2)
        save(opened(await page.picture()), name)


CUE = """
const look = () => {
  const words = document.getElementById("cue-words").textContent;
  const verdict = document.getElementById("verdict-words").textContent;
  window.stands = /^in [1-9]$/.test(words) && verdict === "success";
  if (window.stands) window.requestAnimationFrame = () => 0; // nothing is painted any more
  else setTimeout(look, 5);
};
look();
"""


async def practice(browser: str, url: str) -> None:
    """In the step that has a window, while its cue runs; it comes once in a lap."""
    async with new_page(browser, *SIZES["practice.png"], still=False) as page:
        await page.open(f"{url}practice")
        await page.wait_for("document.body?.dataset.link", "live")
        await page.evaluate(CUE)
        while not await page.evaluate("window.stands"):  # noqa: ASYNC110
            await asyncio.sleep(0.5)
        save(opened(await page.picture()), "practice.png")


async def look_again(browser: str, url: str) -> None:
    async with new_page(browser, *SIZES["look-again.png"], still=False) as page:
        await page.open(f"{url}desk")
        await page.wait_for("document.getElementById('look').hidden", False)
        await page.evaluate(f"document.querySelector('{CHOSEN}').click()")
        await page.evaluate("document.getElementById('look').click()")
        await asyncio.sleep(15)  # so that all of it is evaluated
        await page.wait_for("document.body.dataset.view", "past")
        slider = "document.getElementById('scrubber')"
        await page.evaluate(f"{slider}.value = {PLACE}; {slider}.dispatchEvent(new Event('input'))")
        await asyncio.sleep(2)
        save(opened(await page.picture()), "look-again.png")


# The terminal


@contextlib.contextmanager
def tmux_screen(bridge: Path, socket: Path) -> Iterator[list[str]]:
    """A terminal in which lowhalf runs; gives the words that capture its screen."""
    server = ["tmux", "-S", str(socket), "-f", os.devnull, "-u"]
    size = ["-x", str(COLUMNS), "-y", str(LINES)]
    # the server itself takes the screen's environment: nothing of the caller's switches colours off
    kept = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "TMUX")}
    program = [sys.executable, "-m", "adapters.commands", "run", str(bridge)]
    subprocess.run([*server, "new-session", "-d", *size, *program], check=True, cwd=ROOT, env=kept)
    try:
        yield [*server, "capture-pane", "-p", "-e"]
    finally:
        subprocess.run([*server, "kill-server"], check=False)


def screen_page(screen: str) -> str:
    """A screen with control codes as an HTML page."""
    console = Console(record=True, width=COLUMNS, file=io.StringIO(), force_terminal=True)
    console.print(Text.from_ansi(screen))
    body = console.export_html(theme=NIGHT, inline_styles=True, code_format="<pre>{code}</pre>")
    style = "background:#16181d;color:#e6e6e6;font:16px/1.35 monospace;margin:16px;overflow:hidden"
    return f'<!doctype html><meta charset="utf-8"><body style="{html.escape(style)}">{body}'


def without_pages(bridge: Path) -> Path:
    """The same bridge file for the terminal alone; it has the attempts that are there by now."""
    text = bridge.read_text("utf-8").replace("[outputs.overlay]\n", "")
    text = re.sub(r'^listen = ".*"$', "", text, flags=re.M)
    path = bridge.with_name("terminal.bridge.toml")
    path.write_text(text, "utf-8")
    kept = load_bridge(bridge).attempts_path
    if kept.is_file():
        shutil.copy(kept, load_bridge(path).attempts_path)
    return path


async def terminal(browser: str, bridge: Path, directory: Path) -> None:
    alone = await asyncio.to_thread(without_pages, bridge)
    with tmux_screen(alone, directory / "tmux") as capture:
        screen, seen = "", False
        for _ in range(600):
            done = await asyncio.to_thread(
                subprocess.run, capture, check=True, capture_output=True, text=True
            )
            screen = done.stdout
            if f"step {STEP} of" in screen:
                if seen:
                    break
                seen = True
                await asyncio.sleep(1.2)
            await asyncio.sleep(0.1)
        else:
            raise RuntimeError(f"the step did not come: {screen}")
    page_file = directory / "terminal.html"
    await asyncio.to_thread(page_file.write_text, screen_page(screen), "utf-8")
    async with new_page(browser, *SIZES["terminal.png"], still=False) as page:
        await page.open(page_file.as_uri())
        await page.wait_for("document.querySelector('pre') !== null")
        save(opened(await page.picture()), "terminal.png")


async def make(names: Sequence[str], directory: Path) -> None:
    bridge = write_bridge(directory)
    with Running("run", "--quiet", "--seconds", str(LAPS * LAP), str(bridge)) as before:
        before.process.wait(LAPS * LAP + 20)  # gives the file of attempts something to tell
    with chromium(directory / "profile") as browser:
        if "terminal.png" in names:
            await terminal(browser, bridge, directory)
        with Running("run", "--quiet", str(bridge)) as daemon:
            url = daemon.url()
            for name in names:
                if name == "overlay.png":
                    await overlay(browser, url)
                elif name.startswith("desk"):
                    await desk(browser, url, name)
                elif name == "look-again.png":
                    await look_again(browser, url)
                elif name == "practice.png":
                    await practice(browser, url)


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="make the manual's pictures")
    parser.add_argument("names", nargs="*", metavar="NAME", help=", ".join(SIZES))
    chosen = parser.parse_args(arguments)
    unknown = set(chosen.names) - set(SIZES)
    if unknown:
        parser.error(f"expected {', '.join(SIZES)}, found {', '.join(sorted(unknown))}")
    with tempfile.TemporaryDirectory() as name:
        asyncio.run(make(chosen.names or list(SIZES), Path(name)))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
