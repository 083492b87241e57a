"""Whether the overlay ever shows a value beside the verdict of another frame.

Frames that change their verdicts at 60 Hz, a real browser, and a look at every row, piece and gauge
in each animation frame; what is right follows from the value by arithmetic (``verdicts``).

    python -m tests.benchmarks.overlay_truth [--frames 10000]

Needs Debian's chromium.
"""

from __future__ import annotations

import argparse
import asyncio
import logging
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from adapters.outputs.web.server import OverlayServer
from schemas.output_settings import OverlayOutput
from tests.adapters.browser import chromium, new_page
from tests.adapters.made_frames import listening
from tests.adapters.verdicts import LANES, frames, look


async def measure(directory: Path, count: int) -> dict[str, Any]:
    """What ``verdicts.look`` saw in *count* animation frames; *directory* takes the profile."""
    server = OverlayServer(OverlayOutput(listen="127.0.0.1:0"), logging.getLogger("benchmark"))

    async def play() -> None:
        for made in frames():
            server.publish(made)
            await asyncio.sleep(1 / 60)

    with chromium(directory / "profile") as browser:
        async with listening(server), new_page(browser, still=False) as page:
            playing = asyncio.create_task(play())
            try:
                await page.open(f"{server.url}overlay?show=values,steps,attempts,heap")
                rows = "document.querySelectorAll('[data-watch^=lane_]').length"
                await page.wait_for(rows, len(LANES))
                await page.evaluate(look())
                await page.wait_for(f"window.truth.frames >= {count}", seconds=60 + count / 5)
                found: dict[str, Any] = await page.evaluate("window.truth")
            finally:
                playing.cancel()
    return found


def table(found: dict[str, Any], seconds: float) -> str:
    """The run for people."""
    kinds = ", ".join(f"{count} {kind}" for kind, count in sorted(found["verdicts"].items()))
    return (
        f"{found['frames']} animation frames in {seconds:.0f} s, {found['looks']} looks ({kinds}): "
        f"{len(found['wrong'])} wrong"
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Prints the run; 1 where anything was wrong."""
    parser = argparse.ArgumentParser(description="values beside their own verdicts")
    parser.add_argument("--frames", type=int, default=10_000)
    chosen = parser.parse_args(arguments)
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        found = asyncio.run(measure(Path(name), chosen.frames))
    print(table(found, time.monotonic() - begun))
    for each in found["wrong"][:10]:
        print(each)
    return 1 if found["wrong"] else 0


if __name__ == "__main__":
    raise SystemExit(main())
