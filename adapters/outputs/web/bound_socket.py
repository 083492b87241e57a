"""The socket that the pages' server listens on, at the port that it is given or one behind it."""

from __future__ import annotations

import errno
import logging
import socket

from schemas.errors import OutputError
from schemas.system_words import system_words

__all__ = ["bound_socket"]

_ANOTHER_PORT = "stop what uses it, or name another with --listen (port 0 takes a free one)"


def bound_socket(
    host: str, port: int, spare_ports: int, log: logging.Logger, *, output: str
) -> socket.socket:
    """A socket that listens at *host* and *port*; where that is in use, at one of *spare_ports*.

    Port 0 takes a free one.  Raises OutputError, which names *output*, where none can be had.
    """
    last = min(port + spare_ports, 0xFFFF) if port else 0
    tried = port
    try:
        while True:
            try:
                listener = _listening(host, tried)
                break
            except OSError as fault:
                if fault.errno != errno.EADDRINUSE or tried == last:
                    raise
            tried += 1
    except OSError as fault:
        reason = (system_words(fault) or str(fault)).lower()
        ports, step = f"port {port}", "give --listen an address of this machine"
        if fault.errno == errno.EADDRINUSE:
            reason, step = "the port is in use, perhaps by another lowhalf", _ANOTHER_PORT
            if last > port:
                ports, reason = f"ports {port} to {last}", "all of them are in use"
        elif fault.errno == errno.EACCES:
            step = "take a port from 1024 on with --listen"
        raise OutputError(
            f"cannot listen on {host} {ports}: {reason}; {step}", output=output
        ) from fault
    if tried != port:
        words = "port %d is in use, perhaps by another lowhalf: port %d is taken instead"
        log.info(words, port, tried)
    return listener


def _listening(host: str, port: int) -> socket.socket:
    """A socket that listens there.  Raises OSError."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    return socket.create_server((host, port), family=family, backlog=128)
