"""Where the pages are served: on loopback only."""

from __future__ import annotations

import ipaddress

from adapters.listen_address import listen_address
from schemas.errors import OutputError


def loopback(listen: str, output: str) -> tuple[str, int]:
    """The host, without brackets, and the port of *listen*.  Raises OutputError.

    ``localhost`` is 127.0.0.1, so that there is one address whatever the system's names say.
    """
    try:
        address = listen_address(listen)
    except ValueError as fault:
        raise OutputError(f"listen: {fault}", output=output) from None
    if not address.is_loopback:
        raise OutputError(
            f"listen address {address.host!r} is not loopback, and serving others needs a token, "
            "which there is none for yet: listen on 127.0.0.1 or [::1]",
            output=output,
        )
    host = "127.0.0.1" if address.host.lower() == "localhost" else address.host
    return str(ipaddress.ip_address(host)), address.port
