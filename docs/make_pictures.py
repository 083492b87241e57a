"""Makes the README's pictures: ``python docs/make_pictures.py``.

Needs tmux and Chromium, and an installed lowhalf.  The demo runs in a real terminal (tmux); its
screen with its colours becomes a picture through rich and Chromium.
"""

from __future__ import annotations

import io
import shlex
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from rich.console import Console
from rich.terminal_theme import TerminalTheme
from rich.text import Text

HERE = Path(__file__).parent
COLUMNS, LINES = 110, 20
DARK = TerminalTheme(
    (22, 24, 29),
    (230, 230, 230),
    [(0, 0, 0), (205, 70, 70), (80, 190, 110), (215, 175, 70), *4 * [(150, 160, 200)]],
)


def terminal_screen(seconds: float) -> str:
    """The demo's screen, with control codes for its colours."""
    server = ["tmux", "-L", "lowhalf-pictures"]
    command = f"{shlex.quote(sys.executable)} -m adapters.commands demo"
    size = ["-x", str(COLUMNS), "-y", str(LINES)]
    subprocess.run([*server, "new-session", "-d", *size, command], check=True)
    try:
        time.sleep(seconds)
        screen = subprocess.run(
            [*server, "capture-pane", "-p", "-e"], check=True, capture_output=True, text=True
        )
    finally:
        subprocess.run([*server, "kill-server"], check=True)
    return screen.stdout


def as_page(screen: str) -> str:
    """A screen as an HTML page."""
    console = Console(record=True, width=COLUMNS, file=io.StringIO(), force_terminal=True)
    console.print(Text.from_ansi(screen))
    body = console.export_html(theme=DARK, inline_styles=True, code_format="<pre>{code}</pre>")
    style = "background:#16181d;color:#e6e6e6;font:16px/1.35 monospace;margin:16px"
    return f'<!doctype html><meta charset="utf-8"><body style="{style}">{body}'


def picture(address: str, target: Path, width: int, height: int) -> None:
    """A screenshot of a page."""
    with tempfile.TemporaryDirectory() as profile:
        subprocess.run(
            [
                *("chromium", "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic"),
                *("--no-first-run", "--disable-background-networking", "--disable-sync"),
                *("--disable-component-update", f"--user-data-dir={profile}"),
                *("--hide-scrollbars", "--virtual-time-budget=4000"),
                f"--window-size={width},{height}",
                f"--screenshot={target}",
                address,
            ],
            check=True,
            capture_output=True,
        )


def main() -> None:
    screen = terminal_screen(9)
    with tempfile.TemporaryDirectory() as name:
        page = Path(name) / "terminal.html"
        page.write_text(as_page(screen), "utf-8")
        picture(page.as_uri(), HERE / "terminal.png", 1110, 500)


if __name__ == "__main__":
    main()
