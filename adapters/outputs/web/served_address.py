"""Where the pages are served: on loopback, or on one other address with a token."""

from __future__ import annotations

import ipaddress

from adapters.listen_address import listen_address
from adapters.outputs.web.token import TOKEN_VARIABLE, WebToken
from schemas.errors import OutputError

__all__ = ["served_address"]


def served_address(listen: str, token: str, output: str) -> tuple[str, int, WebToken | None]:
    """The host, without brackets, and the port of *listen*; the token that requests must bring.

    ``localhost`` is 127.0.0.1, so that there is one address whatever the system's names say.  On
    loopback no token is asked for.  Raises OutputError where another address has no *token*, or is
    not one exact IP address: requests are only answered under the address that is configured.
    """
    try:
        address = listen_address(listen)
    except ValueError as fault:
        raise OutputError(f"listen: {fault}", output=output) from None
    if address.is_loopback:
        host = "127.0.0.1" if address.host.lower() == "localhost" else address.host
        return str(ipaddress.ip_address(host)), address.port, None
    try:
        found = ipaddress.ip_address(address.host)
    except ValueError:
        raise OutputError(
            f"listen: {address.host!r} is not an IP address; expected 127.0.0.1, or one address "
            "of this machine",
            output=output,
        ) from None
    if found.is_unspecified or found.is_multicast or getattr(found, "scope_id", None):
        raise OutputError(
            f"listen: {address.host} does not say under which address the pages are reached; "
            "expected 127.0.0.1, or one address of this machine",
            output=output,
        )
    if not token:
        raise OutputError(
            f"listen: {address.host} is not loopback, so that others can reach the pages: set the "
            f"environment variable {TOKEN_VARIABLE} to a secret that requests must bring, or "
            "listen on 127.0.0.1",
            output=output,
        )
    return str(found), address.port, WebToken.checked(token, output)
