"""Where the manual's pages lie, built where they have to be.

An installed package carries them beside this file, in ``site``: ``docs/build_backend.py`` puts them
into the wheel.  A checkout that is installed in place (``pip install -e``) has their sources
instead; they are built when they are first asked for, and again once anything of theirs is newer.
"""

from __future__ import annotations

import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

from schemas.errors import OutputError

__all__ = ["CARRIED", "CHECKOUT", "SOURCES", "front_page"]

CARRIED = Path(__file__).parent / "site"
CHECKOUT = Path(__file__).parents[2]
SOURCES = ("docs", "lowhalf", "schemas", "bridge", "adapters", "README.md", "pyproject.toml")
"""What the pages are made of: the reference comes from the code."""
_LOOK = 'install lowhalf again, or in a checkout: pip install -e ".[docs]"'


def front_page(carried: Path = CARRIED, checkout: Path = CHECKOUT) -> Path:
    """The first page's file.  Raises OutputError where there is none and none can be built."""
    if (carried / "index.html").is_file():
        return carried / "index.html"
    if not (checkout / "docs" / "conf.py").is_file():
        raise OutputError(f"this installation carries no pages; {_LOOK}", output="manual")
    built = checkout / "build" / "manual"
    if _newest(checkout) > _time(built / "index.html"):
        _build(checkout / "docs", built)
    return built / "index.html"


def _build(sources: Path, built: Path) -> None:
    if find_spec("sphinx") is None:
        raise OutputError(
            f"the pages are not built and Sphinx is missing; {_LOOK}", output="manual"
        )
    # all anew: what a page takes from the code changes without the page
    words = [sys.executable, "-m", "sphinx", "-q", "-E", "-a", str(sources), str(built)]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode:
        said = (done.stderr.strip().splitlines() or [f"exit code {done.returncode}"])[-1]
        raise OutputError(f"the pages could not be built: {said}", output="manual")


def _newest(checkout: Path) -> float:
    return max(
        _time(file)
        for name in SOURCES
        for file in (checkout / name, *(checkout / name).rglob("*"))
        if "__pycache__" not in file.parts
    )


def _time(file: Path) -> float:
    """When it was last changed; 0 where it is not there."""
    try:
        return file.stat().st_mtime
    except OSError:
        return 0.0
