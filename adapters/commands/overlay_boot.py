"""``lowhalf overlay-boot``: a local page for streaming software that is started before the daemon.

A page that cannot be loaded stays blank: nothing tries again.  The page that is written here is
always there, as a file.  It asks the server for a picture again and again, which needs no
permission of any kind, and goes to the overlay once it has come; from then on the overlay itself
finds the daemon again whenever that was gone.
"""

from __future__ import annotations

import argparse
import html
import json
import os
import stat
import sys
from importlib import resources
from pathlib import Path
from urllib.parse import urlencode, urlsplit

from adapters.outputs.web.beacon import BEACON
from adapters.outputs.web.served_address import served_address
from adapters.outputs.web.token import TOKEN_VARIABLE
from adapters.printable import printable
from adapters.sessions.bridge_file import load_bridge
from schemas.errors import LowhalfError, OutputError
from schemas.output_settings import OverlayOutput
from schemas.system_words import system_words

__all__ = ["add_arguments", "boot_page", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("bridge", type=Path, metavar="BRIDGE.toml", help="the bridge file")
    parser.add_argument(
        "file",
        type=Path,
        nargs="?",
        metavar="FILE.html",
        help="where to write the page; without it, it is printed",
    )
    parser.add_argument(
        "--query",
        default="",
        metavar="TEXT",
        help='what the overlay\'s address says, such as "watches=a,b&theme=plate"',
    )
    parser.add_argument("--force", action="store_true", help="replace FILE.html if it is there")


def run(arguments: argparse.Namespace) -> int:
    bridge = load_bridge(arguments.bridge)
    settings = bridge.file.outputs.overlay
    if settings is None:
        raise LowhalfError(
            f"{arguments.bridge}: has no [outputs.overlay], so that there is no page to wait for: "
            "add it"
        )
    token = os.environ.get(TOKEN_VARIABLE, "")
    page = boot_page(settings, arguments.query, token)
    if arguments.file is None:
        sys.stdout.write(page)
        return 0
    _write(arguments.file, page, arguments.force)
    wrote = printable(f"wrote {arguments.file}")
    print(f"{wrote}: give it to the streaming software as a local file")
    if token and token in page:
        print(f"the file holds the token of {TOKEN_VARIABLE}: keep it to yourself")
    return 0


def boot_page(settings: OverlayOutput, query: str = "", token: str = "") -> str:
    """The page as HTML.  Raises OutputError where the overlay's address is not known beforehand."""
    host, port, needed = served_address(settings.listen, token, "overlay")
    if port == 0:
        raise OutputError(
            "listen: port 0 takes another port each time, which a page that waits cannot know: "
            "name a port",
            output="overlay",
        )
    server = f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"
    parts = [query.lstrip("?")] if query.lstrip("?") else []
    if needed is not None:
        parts.append(urlencode({"token": token}))
    target = f"{server}/overlay" + (f"?{'&'.join(parts)}" if parts else "")
    template = resources.files("adapters.outputs.web").joinpath("boot.html").read_text("utf-8")
    place = urlsplit(server).netloc
    return (
        template.replace("{{PLACE}}", html.escape(place))
        # the grammar of policies has no IPv6 literals
        .replace("{{IMAGES}}", "http:" if ":" in host else html.escape(server))
        .replace("{{BEACON}}", _script(server + BEACON))
        .replace("{{TARGET}}", _script(target))
    )


def _script(text: str) -> str:
    """*text* as a string of a script that stands in a page."""
    return json.dumps(text).replace("<", "\\u003c").replace("&", "\\u0026")


def _write(path: Path, page: str, force: bool) -> None:
    try:
        if force:
            path.unlink(missing_ok=True)
        # it may hold the token: for its owner alone, where the system knows such a thing
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL
        with os.fdopen(os.open(path, flags, stat.S_IRUSR | stat.S_IWUSR), "w", -1, "utf-8") as file:
            file.write(page)
    except FileExistsError:
        raise LowhalfError(f"{path}: is there already; --force replaces it") from None
    except OSError as fault:
        raise LowhalfError(f"{path}: cannot be written: {system_words(fault)}") from fault
