"""A TCP connection on which each write leaves at once."""

from __future__ import annotations

import asyncio
import contextlib
import socket

__all__ = ["send_at_once"]


def send_at_once(transport: asyncio.BaseTransport) -> None:
    """Switch off Nagle's algorithm, which holds a small write back until the last one has arrived.

    On most systems asyncio has done so.  On Windows it leaves it on for accepted connections, and
    for those to a host: its sockets there do not say that they are TCP's.
    """
    wire = transport.get_extra_info("socket")
    with contextlib.suppress(OSError):  # the peer has gone already
        wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
