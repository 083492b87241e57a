"""``host:port`` as settings give it."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass

__all__ = ["ListenAddress", "listen_address"]


@dataclass(frozen=True, slots=True)
class ListenAddress:
    """Where to listen; port 0 takes a free one."""

    host: str
    port: int

    @property
    def is_loopback(self) -> bool:
        """Whether only programs on this machine can connect."""
        if self.host.lower() == "localhost":
            return True
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return False

    def __str__(self) -> str:
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"


def listen_address(text: str) -> ListenAddress:
    """``127.0.0.1:7364``, ``localhost:0``, ``[::1]:7364``.  Raises ValueError."""
    host, colon, port = text.rpartition(":")
    if host.startswith("[") and host.endswith("]"):
        host = host[1:-1]
    elif ":" in host:
        host = ""  # an IPv6 address needs its brackets
    if not colon or not host or not port.isascii() or not port.isdigit() or int(port) > 0xFFFF:
        raise ValueError(f'expected a host and a port such as 127.0.0.1:7365, found "{text}"')
    return ListenAddress(host, int(port))
