"""The files that the pages are made of."""

from __future__ import annotations

from importlib import resources

from aiohttp import web

_TYPES = {
    "html": "text/html",
    "css": "text/css",
    "js": "text/javascript",
    "svg": "image/svg+xml",
}


class Pages:
    """All page files, read once, so that a request never reaches the file system."""

    def __init__(self) -> None:
        self._files: dict[str, tuple[bytes, str]] = {}
        for entry in resources.files("adapters.outputs").joinpath("pages").iterdir():
            kind = _TYPES.get(entry.name.rpartition(".")[2])
            if kind is not None:
                self._files[entry.name] = (entry.read_bytes(), kind)

    def page(self, name: str) -> web.Response:
        """The answer that carries the file; HTTPNotFound is raised where there is none."""
        try:
            body, kind = self._files[name]
        except KeyError:
            raise web.HTTPNotFound(text="there is no such page\n") from None
        return web.Response(body=body, content_type=kind, charset="utf-8")
