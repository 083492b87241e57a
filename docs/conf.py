"""How Sphinx builds the site: ``sphinx-build -W --keep-going docs build/manual``."""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parent.parent
sys.path.insert(
    0, str(ROOT)
)  # Sphinx runs this file, wherever the packages are to be imported from

from docs import from_code  # noqa: E402

project = "lowhalf"
version = release = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"][
    "version"
]
extensions = ["myst_parser"]
exclude_patterns = ["from_code", "drawings"]
myst_heading_anchors = 3
nitpicky = True
pygments_style = "default"
pygments_dark_style = "github-dark"

html_theme = "furo"
html_title = f"lowhalf {version}"
html_static_path = ["static"]
html_css_files = ["site.css"]
html_favicon = "static/mark.svg"
html_copy_source = False
html_show_sphinx = False
html_show_copyright = False
html_theme_options = {"footer_icons": [], "navigation_with_keys": True}


def setup(app: Any) -> None:
    """Let the reference's pages have their parts from the code."""
    app.connect("source-read", from_code.insert)
