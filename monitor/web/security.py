"""What every response carries, and which requests are answered at all."""

from __future__ import annotations

import ipaddress
from collections.abc import Collection
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = ("default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; "
          "base-uri 'none'; form-action 'self'; frame-ancestors 'none'")
HEADERS = (
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=()"),
)


def is_loopback(host: str) -> bool:
    """Whether a server bound to `host` is reached from this machine only."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def hostname(header: str) -> str:
    """The name in a Host header, without its port."""
    return header.partition("]")[0] + "]" if header.startswith("[") else header.partition(":")[0]


class Guard:
    """Adds the headers; on loopback answers only to this machine's own names and to `names`, so that no web site
    can reach the page through a name of its own that points here (DNS rebinding)."""

    def __init__(self, app: ASGIApp, *, loopback_only: bool, names: Collection[str] = ()) -> None:
        self.app, self.loopback_only, self.names = app, loopback_only, names

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                message = {**message, "headers": [*_with_cache(message["headers"]), *HEADERS]}
            await send(message)

        host = dict(scope["headers"]).get(b"host", b"").decode("latin-1")
        if self.loopback_only and not is_loopback(hostname(host)) and hostname(host) not in self.names:
            await _refuse(with_headers)
            return
        await self.app(scope, receive, with_headers)


def _with_cache(headers: list[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes]]:
    """What names no cache rule of its own is asked for anew each time."""
    told = any(name.lower() in (b"cache-control", b"etag") for name, _ in headers)
    return headers if told else [*headers, (b"cache-control", b"no-store")]


async def _refuse(send: Send) -> None:
    await send({"type": "http.response.start", "status": 421,
                "headers": [(b"content-type", b"text/plain; charset=utf-8")]})
    await send({"type": "http.response.body", "body": b"This page answers to 127.0.0.1, localhost and [web] names.\n"})
