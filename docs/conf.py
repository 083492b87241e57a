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
exclude_patterns = ["from_code", "theme", "drawings"]
myst_heading_anchors = 3
nitpicky = True
smartquotes = False  # --dump is no dash
highlight_language = "text"
pygments_style = "a11y-high-contrast-light"
pygments_dark_style = "github-dark"

html_theme = "furo"
html_title = f"lowhalf {version}"
templates_path = ["theme"]
html_static_path = ["static"]
html_css_files = ["site.css"]
html_js_files = [("site.js", {"defer": "defer"})]
html_favicon = "static/mark.svg"
html_copy_source = False
html_show_sphinx = False
html_show_copyright = False
html_theme_options = {
    "footer_icons": [],
    # the desk page's paper and night colours
    "light_css_variables": {
        "color-brand-primary": "#005a8d",
        "color-brand-content": "#005a8d",
        "color-brand-visited": "#5d3a7a",
        "color-background-primary": "#fbf9f2",
        "color-background-secondary": "#f6f3e9",
        "color-background-hover": "#ebe5d0",
        "color-background-border": "#d3ccb8",
        "color-foreground-primary": "#1a2328",
        "color-foreground-secondary": "#474e50",
        "color-foreground-muted": "#545b5c",
        "color-code-background": "#f3efe2",
        "color-code-foreground": "#1a2328",
    },
    "dark_css_variables": {
        "color-brand-primary": "#8ccbf0",
        "color-brand-content": "#8ccbf0",
        "color-brand-visited": "#c9a9e6",
        "color-background-primary": "#0f181e",
        "color-background-secondary": "#142029",
        "color-background-hover": "#1c2c37",
        "color-background-border": "#2a3841",
        "color-foreground-primary": "#e6e9e2",
        "color-foreground-secondary": "#c3cac8",
        "color-foreground-muted": "#a6b0b2",
        "color-code-background": "#17242d",
        "color-code-foreground": "#e6e9e2",
    },
}


def setup(app: Any) -> None:
    """Let the reference's pages have their parts from the code."""
    app.connect("source-read", from_code.insert)
