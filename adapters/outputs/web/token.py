"""The secret that requests must bring where others than this machine can reach the pages.

It is given once as ``?token=…``; from then on the browser brings a cookie, which scripts cannot
read and which it sends to no other site's pages.  Programs may send it as a bearer token (RFC 6750)
instead.  The cookie holds a keyed hash and not the secret, since cookies are not separated by port:
another program on the same host is sent it too.  It is the same after a restart, so that pages that
are open go on.
"""

from __future__ import annotations

import hashlib
import hmac
from typing import TYPE_CHECKING

from adapters.access_token import too_short
from schemas.errors import OutputError

if TYPE_CHECKING:
    from aiohttp import web

__all__ = ["TOKEN_VARIABLE", "WebToken"]

TOKEN_VARIABLE = "LOWHALF_OVERLAY_TOKEN"


class WebToken:
    """What of a request says that it may have data."""

    def __init__(self, token: str) -> None:
        self._token = token

    @classmethod
    def checked(cls, token: str, output: str) -> WebToken:
        """Raises OutputError where *token* is too short or cannot stand in an address.

        The message does not hold the token.
        """
        if fault := too_short(TOKEN_VARIABLE, token):
            raise OutputError(fault, output=output)
        if not (token.isascii() and token.replace("-", "").replace("_", "").isalnum()):
            raise OutputError(
                f"{TOKEN_VARIABLE}: expected letters, digits, - and _ alone, so that it can stand "
                "in an address",
                output=output,
            )
        return cls(token)

    def check(self, request: web.Request, port: int) -> None:
        """Raises HTTPUnauthorized; where there are several secrets, all must be right."""
        brought = list(request.query.getall("token", []))
        scheme, _, rest = request.headers.get("Authorization", "").partition(" ")
        if scheme.lower() == "bearer":
            brought.append(rest.strip())
        found = [_same(each, self._token) for each in brought]
        cookie = request.cookies.get(self._cookie_name(port))
        if not found and cookie is not None:
            found = [_same(cookie, self._cookie(port))]
        if not found or not all(found):
            from aiohttp import web

            raise web.HTTPUnauthorized(
                text=f"{'the token is wrong' if found else 'a token is needed'}: add ?token=… to "
                "the address\n",
                headers={"WWW-Authenticate": 'Bearer realm="lowhalf"'},
            )

    def keep(self, request: web.Request, response: web.StreamResponse, port: int) -> None:
        """Hand the cookie to a request that brought the token in its address.

        Only for a request that ``check`` has passed, and before the response is sent.
        """
        if "token" in request.query:
            response.set_cookie(
                self._cookie_name(port),
                self._cookie(port),
                path="/",
                httponly=True,
                samesite="Strict",
            )

    @staticmethod
    def _cookie_name(port: int) -> str:
        return f"lowhalf-{port}"

    def _cookie(self, port: int) -> str:
        text = f"lowhalf cookie {port}".encode()
        return hmac.new(self._token.encode(), text, hashlib.sha256).hexdigest()


def _same(brought: str, expected: str) -> bool:
    """Equal, in a time that does not tell how much of it is."""
    return hmac.compare_digest(brought.encode(errors="replace"), expected.encode())
