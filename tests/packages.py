"""Debian packages that tests need, as the mark ``needs`` names them."""

from __future__ import annotations

import shutil
from pathlib import Path

from tests.systems import WINDOWS


def missing(package: str, *programs: str) -> str:
    """Why a test is skipped that needs *package*, for its programs, headers or libraries; or ""."""
    if WINDOWS:  # a path such as /usr/include is there under Wine, and nothing can be done with it
        return f"Debian's package {package} is not for Windows"
    for name in programs or (package,):
        if not (Path(name).exists() if "/" in name else shutil.which(name)):
            return f"needs Debian package {package}: no {name}"
    return ""
