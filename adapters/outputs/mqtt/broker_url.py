"""Where an MQTT broker is, as a bridge file says it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final
from urllib.parse import urlsplit

from schemas.errors import OutputError

__all__ = ["Broker", "parse_url"]

_HOST = re.compile(r"[A-Za-z0-9._:%-]+")
_PORTS: Final = {"mqtt": 1883, "mqtts": 8883}


@dataclass(frozen=True, slots=True)
class Broker:
    """Where the broker is."""

    host: str
    port: int
    tls: bool

    def __str__(self) -> str:
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"

    @property
    def url(self) -> str:
        """Where it is, as an address; a user or a password never stands in it."""
        return f"{'mqtts' if self.tls else 'mqtt'}://{self}"


def parse_url(url: str) -> Broker:
    """The broker that ``mqtt://HOST:PORT`` or ``mqtts://HOST:PORT`` names.  Raises OutputError."""
    expected = "expected mqtt://HOST:PORT or mqtts://HOST:PORT"
    if "@" in url:
        raise OutputError(
            f"url: {expected}, found a user in it; set user and LOWHALF_MQTT_PASSWORD instead",
            output="mqtt",
        )
    wrong = OutputError(f'url: {expected}, found "{url}"', output="mqtt")
    try:
        parts = urlsplit(url)
        host, port = parts.hostname, parts.port
    except ValueError as fault:
        raise wrong from fault
    if parts.scheme in ("ws", "wss"):
        raise OutputError(
            f'url: {expected}, found "{url}"; lowhalf does not speak MQTT over a websocket, so '
            "name another port of the broker",
            output="mqtt",
        )
    if parts.scheme not in _PORTS or not host or not _HOST.fullmatch(host) or port == 0:
        raise wrong
    if not url.isprintable() or parts.path not in ("", "/") or parts.query or parts.fragment:
        raise wrong
    return Broker(host, _PORTS[parts.scheme] if port is None else port, parts.scheme == "mqtts")
