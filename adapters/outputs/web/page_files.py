"""The files that the pages are made of, served in the folders in which they lie."""

from __future__ import annotations

from importlib import resources
from importlib.resources.abc import Traversable

from aiohttp import web

__all__ = ["Pages"]

_TYPES = {
    "html": "text/html",
    "css": "text/css",
    "js": "text/javascript",
    "svg": "image/svg+xml",
}


class Pages:
    """All page files by their path below ``pages/``.

    They are read once, so that a request never reaches the file system.
    """

    def __init__(self) -> None:
        self._files: dict[str, tuple[bytes, str]] = {}
        self._read(resources.files("adapters.outputs").joinpath("pages"), "")

    def _read(self, folder: Traversable, prefix: str) -> None:
        for entry in folder.iterdir():
            if entry.is_dir():
                self._read(entry, f"{prefix}{entry.name}/")
                continue
            kind = _TYPES.get(entry.name.rpartition(".")[2])
            if kind is not None:
                self._files[prefix + entry.name] = (entry.read_bytes(), kind)

    def page(self, name: str) -> web.Response:
        """The answer that carries a file such as ``desk/desk.html``.

        HTTPNotFound is raised where there is none.
        """
        try:
            body, kind = self._files[name]
        except KeyError:
            raise web.HTTPNotFound(text="there is no such page\n") from None
        return web.Response(body=body, content_type=kind, charset="utf-8")
