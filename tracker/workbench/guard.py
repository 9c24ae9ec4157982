"""Who may talk to the workbench: this machine's browser, with the token of the address."""

from __future__ import annotations

import secrets
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = (
    "default-src 'self'; img-src 'self' data: blob:; style-src 'self' 'unsafe-inline'; "
    "object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'self'"
)
"""Content-Security-Policy: nothing is loaded from elsewhere, no script stands in a page."""


ENTRY = """<!doctype html>
<meta charset="utf-8"><meta http-equiv="refresh" content="0;url=/"><title>impactfilm</title>
<link rel="icon" href="/static/favicon.svg" type="image/svg+xml">
"""
"""Answer to the address with the token: from here on the browser asks as a page of our own."""


class Guard:
    """Lets a request through only with the right Host, Origin and secret.

    The Host check keeps out pages that have their own name resolve to loopback, the Origin check
    pages of other origins, the secret other users of this machine (common practice, no source).

    Parameters
    ----------
    token : what the address carries; it opens the page once, and whoever sees it later can do
        nothing with it.
    hosts : allowed values of the Host header.
    secret : what the cookie carries from then on, named after the port; by default a random one.
    """

    def __init__(
        self, app: ASGIApp, token: str, hosts: frozenset[str], secret: str | None = None
    ) -> None:
        self.app = app
        self.hosts = hosts
        self._token: str | None = token
        self._secret = secret or secrets.token_urlsafe(24)

    @property
    def is_entered(self) -> bool:
        """Whether the address with the token has been opened."""
        return self._token is None

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
        enters = not self._is_known(headers)
        if enters:
            self._token = None

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                out.setdefault("Content-Security-Policy", POLICY)
                out["X-Content-Type-Options"] = "nosniff"
                out["Referrer-Policy"] = "no-referrer"
                out.setdefault("Cache-Control", "no-store")
                if enters:
                    cookie = f"{_cookie(headers)}={self._secret}; Path=/; HttpOnly; SameSite=Strict"
                    out.append("Set-Cookie", cookie)
            await send(message)

        await (HTMLResponse(ENTRY) if enters else self.app)(scope, receive, guarded)

    def _fault(self, scope: Scope, headers: Headers) -> str:
        """What speaks against the request; empty if nothing does."""
        host = headers.get("host", "")
        if host not in self.hosts:
            return "this address is not served here"
        given = _token_of(scope)
        if given and self._token is not None and _is_same(given, self._token):
            return ""  # from the file that hands the token over, which is of no origin
        origin = headers.get("origin")
        if origin is not None and origin != f"http://{host}":
            return "requests from other pages are not answered"
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return "requests from other pages are not answered"
        if self._is_known(headers):
            return ""
        if self._token is None:
            return (
                "this address was opened already: go on in the browser that opened it; if that "
                "wasn't yours, end `impactfilm open`, and start it again"
            )
        return "the token is missing: open the address that `impactfilm open` printed"

    def _is_known(self, headers: Headers) -> bool:
        """Whether the request carries the secret, as a cookie or as a header."""
        given = [headers.get("x-token", ""), *_values(headers.get("cookie", ""), _cookie(headers))]
        return any(_is_same(text, self._secret) for text in given)


def _is_same(given: str, expected: str) -> bool:
    return secrets.compare_digest(given.encode(), expected.encode())


def _cookie(headers: Headers) -> str:
    """Name of our cookie: browsers give cookies to all ports of a host."""
    return f"impactfilm-{headers.get('host', '').rpartition(':')[2]}"


def _values(header: str, name: str) -> list[str]:
    """What a Cookie header (RFC 6265, 4.2.1) says of a name."""
    pairs = (pair.strip().partition("=") for pair in header.split(";"))
    return [value for key, _, value in pairs if key == name]


def _token_of(scope: Scope) -> str:
    """The token in the address of the page itself."""
    if scope["type"] != "http" or scope["path"] != "/":
        return ""
    query = parse_qs(scope.get("query_string", b"").decode("ascii", "replace"))
    return str(query.get("token", [""])[0])
