"""The build backend: setuptools, and the manual's pages in the wheel.

Only a wheel asks for what builds the pages.  An installation in place (``pip install -e``) does
not: its requirements are setuptools alone, and ``lowhalf docs`` builds the pages there.
"""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path
from typing import Any

from setuptools import build_meta
from setuptools.build_meta import (
    build_editable,
    build_sdist,
    get_requires_for_build_editable,
    get_requires_for_build_sdist,
    prepare_metadata_for_build_editable,
    prepare_metadata_for_build_wheel,
)
from setuptools.command.build_py import build_py

__all__ = [
    "build_editable",
    "build_sdist",
    "build_wheel",
    "get_requires_for_build_editable",
    "get_requires_for_build_sdist",
    "get_requires_for_build_wheel",
    "prepare_metadata_for_build_editable",
    "prepare_metadata_for_build_wheel",
]

build_wheel = build_meta.build_wheel
ROOT = Path(__file__).parent.parent


def get_requires_for_build_wheel(config_settings: Any = None) -> list[str]:
    """What builds the pages, and what the code needs that their reference is made from."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    pages = [*project["optional-dependencies"]["docs"], *project["dependencies"]]
    return [*build_meta.get_requires_for_build_wheel(config_settings), *pages]


class BuildWithManual(build_py):
    """Copies the packages, and puts the pages beside ``adapters/manual``."""

    def run(self) -> None:
        super().run()
        if not self.editable_mode:
            build_pages(Path(self.build_lib) / "adapters" / "manual" / "site")


def build_pages(site: Path) -> None:
    """Build the pages into *site*.

    lowhalf does its work without them: where they cannot be built, the wheel comes without, and
    ``lowhalf docs`` says so.  The tests ask that they can be: SPHINXOPTS in the environment has
    further options of sphinx-build, as for the makefiles that Sphinx writes.
    """
    further = shlex.split(os.environ.get("SPHINXOPTS", ""))
    with tempfile.TemporaryDirectory() as doctrees:
        words = [
            sys.executable,
            "-m",
            "sphinx",
            "-q",
            "-E",
            *further,
            "-d",
            doctrees,
            "docs",
            str(site.resolve()),
        ]
        done = subprocess.run(words, cwd=ROOT, check=False)
    if done.returncode:
        shutil.rmtree(site, ignore_errors=True)
        print("the manual's pages could not be built; the wheel comes without", file=sys.stderr)
