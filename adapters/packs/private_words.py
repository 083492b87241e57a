"""What must not leave this machine, and whether it stands in something that is about to.

Taken out are source, outputs, comments and paths; what a person wrote elsewhere, in a hint or in
the notes, is held against them here.
"""

from __future__ import annotations

import ipaddress
import json
import os
import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

__all__ = ["PrivateWords", "of_tables", "of_this_machine"]

_SHORTEST = 5
_ADDRESS = re.compile(
    r"(?P<scheme>[a-z][a-z0-9+.-]*://)?(?P<host>(?:[^/@\s]+@)?(?:\[[^\]]+\]|[^/:\\\s]+))"
    r"(?P<port>:\d+)?(?:/.*)?\Z"
)
_ABSOLUTE = re.compile(r"/[^/]+/|\\\\|~|[A-Za-z]:[/\\]")
"""A path that names folders of one machine; one folder right below the root may be a word."""
_SECRETS = ("TOKEN", "PASSWORD", "USER")


class PrivateWords:
    """Words to look for, however a text writes them."""

    def __init__(self, words: Iterable[str]) -> None:
        forms: dict[bytes, str] = {}
        for word in words:
            if len(word) >= _SHORTEST and (word[0] != "/" or _ABSOLUTE.match(word)):
                for form in _forms(word):
                    forms.setdefault(form.lower().encode("utf-8", "surrogatepass"), word)
        self._forms = forms

    def found_in(self, data: bytes) -> str:
        """The first of them that stands in *data*; "" where none does."""
        data = data.lower()
        return next((word for form, word in self._forms.items() if form in data), "")


def of_this_machine(files: Iterable[Path]) -> Iterator[str]:
    """The home folder, the folders of *files* and what the environment keeps secret."""
    yield str(Path.home())
    for file in files:
        yield str(file.absolute().parent)
        yield str(file.resolve().parent)
    for name, value in os.environ.items():
        if name.startswith("LOWHALF_") and name.endswith(_SECRETS):
            yield value


def of_tables(table: Mapping[str, Any]) -> Iterator[str]:
    """Addresses and absolute paths of a bridge file's ``[source]`` and ``[outputs]``, but for this
    machine's own loopback, which is everybody's."""
    for key in ("source", "outputs"):
        for text in _texts(table.get(key)):
            if _ABSOLUTE.match(text):
                yield text
            elif (found := _ADDRESS.match(text)) and (found["scheme"] or found["port"]):
                host = found["host"].rpartition("@")[2].strip("[]")
                if not _everybodys(host):
                    yield text
                    # a host without a dot may be any word
                    yield from [host] if "." in host or ":" in host else []


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for each in value.values():
            yield from _texts(each)
    elif isinstance(value, list | tuple):
        for each in value:
            yield from _texts(each)


def _everybodys(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return False
    return address.is_loopback or address.is_unspecified


def _forms(word: str) -> Iterator[str]:
    """As it is, with / for \\, and as a text between quotation marks has it."""
    for form in (word, word.replace("\\", "/")):
        yield form
        yield json.dumps(form)[1:-1]
