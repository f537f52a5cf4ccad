"""Who may see the page: an ASGI layer before everything else, for pages and for web sockets alike.

On a loopback address the request must name a loopback host (so that a foreign page cannot reach in by a name that it
points here). On any other address a token is needed: once in the address, then in a cookie that scripts cannot read.
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs, quote

Message = MutableMapping[str, Any]
App = Callable[[Message, Callable[[], Awaitable[Message]], Callable[[Message], Awaitable[None]]], Awaitable[None]]

COOKIE = "swardwright_token"


def is_loopback(host: str) -> bool:
    """Return whether a host name or address means this machine only."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def new_token() -> str:
    """Return a token that cannot be guessed."""
    return secrets.token_urlsafe(24)


def host_of(header: str) -> str:
    """Return the host part of a ``Host`` header or of an origin, without port and brackets."""
    text = header.rpartition("://")[2]
    if text.startswith("["):
        return text[1:].partition("]")[0]
    return text.partition(":")[0]


class Guard:
    """ASGI middleware; ``token`` None means loopback only."""

    def __init__(self, app: App, *, token: str | None) -> None:
        self.app = app
        self.token = token

    async def __call__(
        self,
        scope: Message,
        receive: Callable[[], Awaitable[Message]],
        send: Callable[[Message], Awaitable[None]],
    ) -> None:
        """Pass the request on, or answer it here."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        headers = {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}
        origin = headers.get("origin")
        foreign = origin is not None and host_of(origin) != host_of(headers.get("host", ""))
        if self.token is None:
            allowed = is_loopback(host_of(headers.get("host", ""))) and not foreign
            reason = "This page answers on this machine only, under a loopback name."
        else:
            given = self._given(scope)
            if scope["type"] == "http" and self._matches(given):
                await self._welcome(scope, send)
                return
            allowed = self._matches(_cookie(headers)) and not foreign
            reason = "This page needs its token: open the address that swardwright serve printed."
        if allowed:
            await self.app(scope, receive, send)
        elif scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
        else:
            await _answer(send, 403, reason)

    def _matches(self, given: str) -> bool:
        return hmac.compare_digest(given.encode(), (self.token or "").encode()) and bool(self.token)

    @staticmethod
    def _given(scope: Message) -> str:
        values = parse_qs(scope.get("query_string", b"").decode("latin-1")).get("token", [""])
        return str(values[0])

    async def _welcome(self, scope: Message, send: Callable[[Message], Awaitable[None]]) -> None:
        cookie = f"{COOKIE}={self.token}; HttpOnly; SameSite=Strict; Path=/"
        place = quote("/" + scope["path"].lstrip("/"))
        await _answer(send, 303, "", [(b"location", place.encode()), (b"set-cookie", cookie.encode())])


def _cookie(headers: dict[str, str]) -> str:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return ""
    return "" if found is None else str(found.value)


async def _answer(
    send: Callable[[Message], Awaitable[None]], status: int, text: str, headers: list[tuple[bytes, bytes]] | None = None
) -> None:
    head = [(b"content-type", b"text/plain; charset=utf-8"), (b"cache-control", b"no-store"), *(headers or [])]
    await send({"type": "http.response.start", "status": status, "headers": head})
    await send({"type": "http.response.body", "body": text.encode()})
