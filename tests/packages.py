"""Debian packages that tests need, as the mark ``needs`` names them."""

from __future__ import annotations

import shutil
from pathlib import Path


def missing(package: str, *programs: str) -> str:
    """Why a test is skipped that needs *package*, for its programs, headers or libraries; or ""."""
    for name in programs or (package,):
        if not (Path(name).exists() if "/" in name else shutil.which(name)):
            return f"needs Debian package {package}: no {name}"
    return ""
