"""Reference pages out of the code: Markdown, made when the site is built.

A page asks for a part by a line of its own, ``<!-- from code: functions -->``; :func:`insert` puts
the part there before the page is read.  So the pages' introductions are written by hand, and what
the code already says is written once.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from importlib import import_module
from typing import Any

PARTS = {
    "functions": "functions:functions",
    "statuses": "statuses:statuses",
    "schema file": "settings:schema_file",
    "bridge file": "settings:bridge_file",
    "layout file": "settings:layout_file",
    "plan file": "settings:plan_file",
    "expect file": "settings:expect_file",
    "moves file": "settings:moves_file",
    "pack manifest": "settings:pack_manifest",
    "sources": "settings:sources",
    "outputs": "settings:outputs",
    "commands": "commands:commands",
    "topics": "topics:topics",
    "practice topics": "topics:practice_topics",
    "plan topics": "topics:plan_topics",
    "heap topics": "topics:heap_topics",
    "json forms": "json_forms:json_forms",
    "errors": "errors:errors",
    "rooms": "rooms:rooms",
}
"""What can be asked for: the module here, and the function in it that gives the Markdown."""

_ASKED = re.compile(r"^<!-- from code: ([a-z ]+) -->$", re.M)


def part(name: str) -> str:
    """One part, as Markdown.  Raises KeyError where there is none of that *name*."""
    module, _, function = PARTS[name].partition(":")
    make: Callable[[], str] = getattr(import_module(f"docs.from_code.{module}"), function)
    return make()


def asked_for(text: str) -> list[str]:
    """The parts that a page's *text* asks for."""
    return _ASKED.findall(text)


def with_parts(text: str) -> str:
    """A page's *text* with each part that it asks for in its place."""
    return _ASKED.sub(lambda found: part(found[1]), text)


def insert(app: Any, page: str, text: list[str]) -> None:
    """For Sphinx's event ``source-read``."""
    del app, page
    text[0] = with_parts(text[0])
