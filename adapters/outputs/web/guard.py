"""Which requests the pages' server answers, and the headers that every answer carries.

A server on loopback is reachable from every page that the user's browser shows: by a name that
an attacker points at 127.0.0.1, by a foreign page's WebSocket, by a script or frame element.  So:

- the Host header must be one of this server's own names with its port, else 421;
- an Origin, which browsers send with every WebSocket, must be one of this server's own, else 403;
- what a browser marks as coming from another origin, and not as a navigation, gets 403 as well;
- where the server listens on another address than loopback, a token is needed, else 401.

A program that is not a browser can forge all but the token; on this machine it could as well read
the guest itself.

One resource is open to pages of any origin, and without a token: ``/here.svg``, a picture without
data.  The local page that ``lowhalf overlay-boot`` writes has no origin, and learns by it alone
that the server is up.  That much any page can learn without it, by how fast a port refuses.
"""

from __future__ import annotations

from aiohttp import web
from aiohttp.typedefs import Handler, Middleware

from adapters.outputs.web.beacon import BEACON
from adapters.outputs.web.token import WebToken

__all__ = ["WebGuard"]


class WebGuard:
    """The checks for a server that listens on *host* (no brackets) and *port*.

    With a *token* the server is not on loopback, and answers under its own address alone.
    """

    def __init__(self, host: str, port: int, token: WebToken | None = None) -> None:
        self._port = port
        self._token = token
        names = {f"[{host}]" if ":" in host else host.lower()}
        if token is None:
            names |= {"127.0.0.1", "localhost", "[::1]"}
        self.hosts = {f"{name}:{port}" for name in names}
        if port == 80:
            self.hosts |= names
        self.origins = {f"http://{host}" for host in self.hosts}

    def check(self, request: web.Request) -> None:
        """Raises HTTPBadRequest, HTTPMisdirectedRequest, HTTPForbidden or HTTPUnauthorized."""
        hosts = request.headers.getall("Host", [])
        if len(hosts) != 1:
            raise web.HTTPBadRequest(text=f"expected one Host header, found {len(hosts)}\n")
        if hosts[0].lower() not in self.hosts:
            raise web.HTTPMisdirectedRequest(text="this server does not answer for that host\n")
        if request.path == BEACON:
            return
        origins = request.headers.getall("Origin", [])
        if any(origin not in self.origins for origin in origins):
            raise web.HTTPForbidden(text="this server does not answer pages of another origin\n")
        site = request.headers.get("Sec-Fetch-Site", "none")
        if site not in ("none", "same-origin") and (
            request.headers.get("Sec-Fetch-Mode") != "navigate"
        ):
            raise web.HTTPForbidden(text="this server does not answer pages of another origin\n")
        if self._token is not None:
            self._token.check(request, self._port)

    @property
    def middleware(self) -> Middleware:
        @web.middleware
        async def guarded(request: web.Request, handler: Handler) -> web.StreamResponse:
            self.check(request)
            response = await handler(request)
            if self._token is not None and request.path != BEACON and not response.prepared:
                self._token.keep(request, response, self._port)
            return response

        return guarded

    async def add_headers(self, request: web.Request, response: web.StreamResponse) -> None:
        """Security headers; for the signal ``on_response_prepare``, so errors carry them too."""
        headers = response.headers
        headers["Server"] = "lowhalf"
        headers["Content-Security-Policy"] = self._policy(request.headers.get("Host", "").lower())
        headers["X-Content-Type-Options"] = "nosniff"
        headers["X-Frame-Options"] = "DENY"
        headers["Referrer-Policy"] = "no-referrer"
        headers["Cross-Origin-Opener-Policy"] = "same-origin"
        is_beacon = request.path == BEACON
        headers["Cross-Origin-Resource-Policy"] = "cross-origin" if is_beacon else "same-origin"
        headers.setdefault("Cache-Control", "no-store")

    def _policy(self, host: str) -> str:
        connect = "connect-src 'self'"
        if host in self.hosts and not host.startswith("["):
            # Some browsers do not take 'self' to include ws:; the grammar has no IPv6 literals.
            connect += f" ws://{host}"
        return "; ".join(
            (
                "default-src 'none'",
                "script-src 'self'",
                # Streaming software injects its users' own rules as a style element.
                "style-src 'self' 'unsafe-inline'",
                "font-src 'self'",
                "img-src 'self'",
                connect,
                "base-uri 'none'",
                "form-action 'none'",
                "frame-ancestors 'none'",
            )
        )
