"""Who may talk to the workbench: this machine's browser, with the token of the address."""

from __future__ import annotations

import secrets
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = (
    "default-src 'self'; img-src 'self' data: blob:; style-src 'self' 'unsafe-inline'; "
    "object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'self'"
)
"""Content-Security-Policy: nothing is loaded from elsewhere, no script stands in a page."""


class Guard:
    """Lets a request through only with the right Host, Origin and token.

    The Host check keeps out pages that have their own name resolve to loopback, the Origin check
    pages of other origins, the token other users of this machine (common practice, no source).

    Parameters
    ----------
    token : the secret that the address carries once; a cookie carries it from then on.
    hosts : allowed values of the Host header.
    """

    def __init__(self, app: ASGIApp, token: str, hosts: frozenset[str]) -> None:
        self.app = app
        self.token = token
        self.hosts = hosts
        self.cookie = f"impactfilm-{token[:6]}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or answer 403."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        fault = self._fault(scope, headers)
        if fault or scope["type"] != "http":
            refusal = PlainTextResponse(fault or "only HTTP is spoken here", status_code=403)
            await refusal(scope, receive, send)
            return
        first = self._in_address(scope)

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                out.setdefault("Content-Security-Policy", POLICY)
                out["X-Content-Type-Options"] = "nosniff"
                out["Referrer-Policy"] = "no-referrer"
                out.setdefault("Cache-Control", "no-store")
                if first:
                    cookie = f"{self.cookie}={self.token}; Path=/; HttpOnly; SameSite=Strict"
                    out.append("Set-Cookie", cookie)
            await send(message)

        await self.app(scope, receive, guarded)

    def _fault(self, scope: Scope, headers: Headers) -> str:
        """What speaks against the request; empty if nothing does."""
        host = headers.get("host", "")
        if host not in self.hosts:
            return "this address is not served here"
        origin = headers.get("origin")
        if origin is not None and origin != f"http://{host}":
            return "requests from other pages are not answered"
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return "requests from other pages are not answered"
        given = [headers.get("x-token", ""), self._in_cookie(headers.get("cookie", ""))]
        if self._in_address(scope) or any(self._right(token) for token in given):
            return ""
        return "the token is missing: open the address that `impactfilm open` printed"

    def _right(self, token: str) -> bool:
        return secrets.compare_digest(token.encode(), self.token.encode())

    def _in_address(self, scope: Scope) -> bool:
        """Whether this asks for the page itself, with the token in the address."""
        if scope["type"] != "http" or scope["path"] != "/":
            return False
        query = parse_qs(scope.get("query_string", b"").decode("ascii", "replace"))
        return self._right(query.get("token", [""])[0])

    def _in_cookie(self, header: str) -> str:
        try:
            found = SimpleCookie(header).get(self.cookie)
        except CookieError:
            return ""
        return found.value if found else ""
