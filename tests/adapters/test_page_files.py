"""The pages' files name each other rightly, on disk and as they are served.

HTML files name others from the root, since they are served at addresses of their own; modules and
style sheets name them relative to themselves, which is the same on disk (common practice, no
source; how a browser resolves either is RFC 3986, section 5).
"""

from __future__ import annotations

import re
from pathlib import Path
from urllib.parse import urljoin, urlsplit

import pytest
from aiohttp import web

from adapters.outputs.web.page_files import Pages

PAGES = Path(__file__).parents[2] / "adapters" / "outputs" / "pages"
NAMES = sorted(path.relative_to(PAGES).as_posix() for path in PAGES.rglob("*") if path.is_file())
ENTRIES = {"index.html", "overlay/overlay.html", "desk/desk.html", "desk/beside.html"}
ENTRIES |= {"practice/practice.html", "by_hand/by_hand.html"}

_NAMED_BY_HTML = re.compile(r'(?:href|src)="(/pages/[^"]+)"')
_NAMED_BY_MODULES = re.compile(r'^import (?:[^"]* from )?"([^"]+)";$', re.MULTILINE)


def named_by(name: str) -> list[str]:
    """The files that a page file loads, as paths below ``pages/``."""
    text = (PAGES / name).read_text("utf-8")
    if name.endswith(".html"):
        links = _NAMED_BY_HTML.findall(text)
    else:
        links = _NAMED_BY_MODULES.findall(text)
        assert text.count("\nimport ") + text.startswith("import ") == len(links)
        assert all(link.startswith(("./", "../")) for link in links), name
    urls = [urlsplit(urljoin(f"http://host/pages/{name}", link)).path for link in links]
    return [url.removeprefix("/pages/") for url in urls]


@pytest.mark.parametrize("name", NAMES)
def test_what_a_file_names_lies_there_and_is_served(name: str) -> None:
    pages = Pages()
    for named in named_by(name):
        assert (PAGES / named).is_file(), named
        assert pages.page(named).body == (PAGES / named).read_bytes()


def test_every_file_is_served_and_reached_from_a_page() -> None:
    reached, ahead = set(ENTRIES), list(ENTRIES)
    while ahead:
        new = set(named_by(ahead.pop())) - reached
        reached |= new
        ahead += new
    assert sorted(reached) == NAMES
    for name in NAMES:
        assert Pages().page(name).body == (PAGES / name).read_bytes()


@pytest.mark.parametrize("name", ["", "desk", "desk/", "overlay.js", "../web/page_files.py"])
def test_nothing_else_is_served(name: str) -> None:
    with pytest.raises(web.HTTPNotFound):
        Pages().page(name)


def test_what_both_pages_use_names_nothing_of_either() -> None:
    for name in NAMES:
        room = name.partition("/")[0]
        rooms = {named.partition("/")[0] for named in named_by(name)}
        assert rooms <= {room, "shared", "index.css", "index.js"}, name
        if room == "shared":
            assert rooms <= {"shared"}
