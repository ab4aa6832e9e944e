"""Who may look and who may act: log-in by token, sessions, protection against other sites, limits on how often.

Without users (only possible where nobody but this machine reaches the page) everybody may look and act, and signs with
a name. Otherwise a program sends `Authorization: Bearer TOKEN` (RFC 6750), a browser exchanges the token for a cookie
that is signed with it: a token that is changed ends its sessions, a restart of the page ends none. Calendars know
passwords only (RFC 7617): for their feed, which changes nothing, the token may come as one.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING
from urllib.parse import quote, urlsplit

from monitor.settings import Secret, WebUser

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Receive, Scope, Send

COOKIE = "bagwright"
SESSION_S = 12 * 3600
OPEN = ("/static/", "/login", "/healthz")       # reached without log-in
SAFE = ("GET", "HEAD", "OPTIONS")
FEED = "/calendar.ics"
CLIENTS = 4_096                                 # addresses that are remembered

LOOKS = (50.0, 300.0)       # requests a second and at once, from one address
ACTS = (1.0, 30.0)          # of those that ask for something to be done
LOGINS = (5 / 60, 5.0)      # tries to log in, and tokens that nobody has


class Limit:
    """A token bucket for each address: `rate` a second, `burst` at once."""

    def __init__(self, rate: float, burst: float, clock: Callable[[], float] = time.monotonic) -> None:
        self.rate, self.burst, self.clock = rate, burst, clock
        self._left: dict[str, tuple[float, float]] = {}

    def wait(self, who: str) -> float:
        """Seconds until the next is allowed; 0: this one was, and is counted."""
        now = self.clock()
        left, then = self._left.pop(who, (self.burst, now))
        left = min(self.burst, left + (now - then) * self.rate)
        allowed = left >= 1
        self._left[who] = (left - 1 if allowed else left, now)
        if len(self._left) > CLIENTS:
            del self._left[next(iter(self._left))]      # whoever was heard of longest ago
        return 0.0 if allowed else (1 - left) / self.rate


@dataclass(frozen=True, slots=True)
class Access:
    """The users of a page. command: the token of `[command]`, with which programs act as they do over MQTT, in the
    name that they give. secure: whether browsers reach it by TLS, so that the cookie stays there."""

    users: tuple[WebUser, ...]
    command: Secret | None = None
    secure: bool = False
    now: Callable[[], float] = time.time

    def by_token(self, token: str) -> WebUser | None:
        """Compares with every user's, in the same time whether or not one matches."""
        found = None
        for user in self.users:
            if hmac.compare_digest(_digest(token), _digest(user.token.reveal())):
                found = user
        return found

    def program(self, token: str) -> WebUser | None:
        """Whoever sends a token with each request: a user, or a program with the token of commands."""
        found = self.by_token(token)
        if self.command is not None and hmac.compare_digest(_digest(token), _digest(self.command.reveal())):
            return found or WebUser("", "act", self.command)
        return found

    def cookie(self, user: WebUser) -> str:
        """The Set-Cookie header of a new session."""
        body = f"{base64.urlsafe_b64encode(user.name.encode()).decode()}.{int(self.now()) + SESSION_S}"
        return self._set(f"{body}.{_signature(user, body)}", SESSION_S)

    def no_cookie(self) -> str:
        """The Set-Cookie header that ends a session."""
        return self._set("", 0)

    def _set(self, value: str, age: int) -> str:
        secure = "; Secure" if self.secure else ""
        return f"{COOKIE}={value}; Path=/; Max-Age={age}; HttpOnly; SameSite=Strict{secure}"

    def by_cookie(self, header: str) -> WebUser | None:
        try:
            value = SimpleCookie(header)[COOKIE].value
            name64, expiry, signature = value.split(".")
            name = base64.urlsafe_b64decode(name64).decode()
            expires = int(expiry)
        except (KeyError, ValueError, CookieError, binascii.Error):
            return None
        user = next((u for u in self.users if u.name == name), None)
        if user is None or expires < self.now():
            return None
        return user if hmac.compare_digest(signature, _signature(user, f"{name64}.{expiry}")) else None


def _digest(text: str) -> bytes:
    return hashlib.sha256(text.encode("utf-8", "surrogateescape")).digest()


def _signature(user: WebUser, body: str) -> str:
    key = _digest(f"session\0{user.role}\0{user.token.reveal()}")
    return hmac.new(key, body.encode(), hashlib.sha256).hexdigest()


def from_elsewhere(headers: Mapping[str, str]) -> bool:
    """Whether a browser says that another site sent this. One that says nothing is no browser of this decade: they
    send Origin with every POST (Fetch standard, "append a request Origin header")."""
    site = headers.get("sec-fetch-site")
    if site is not None and site != "same-origin":
        return True
    origin = headers.get("origin")
    return origin is not None and urlsplit(origin).netloc != headers.get("host", "")


class Gate:
    """Lets through who may do what they ask; puts the user's name into the request's state as `who`, and whether they
    may act. sorry: a refusal (title, sentence) as a page for people. answered: whether anything here answers this path
    by this method; where nothing does, there is nothing to be allowed, and the application says so (404, 405)."""

    def __init__(self, app: ASGIApp, access: Access, sorry: Callable[[str, str], str],
                 answered: Callable[[Scope], bool]) -> None:
        self.app, self.access, self.sorry, self.answered = app, access, sorry, answered
        self.looks, self.acts, self.logins = Limit(*LOOKS), Limit(*ACTS), Limit(*LOGINS)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = {k.decode("latin-1"): v.decode("latin-1") for k, v in scope["headers"]}
        refused = self._refusal(scope, headers)
        if refused is not None:
            await _say(scope, send, self.sorry if "text/html" in headers.get("accept", "") else None, *refused)
            return
        await self.app(scope, receive, send)

    def _refusal(self, scope: Scope, headers: Mapping[str, str]) -> tuple[int, str, dict[str, str]] | None:
        method, path = scope["method"], scope["path"]
        client = (scope.get("client") or ("",))[0]
        wait = (self.looks if method in SAFE else self.logins if path == "/login" else self.acts).wait(client)
        if wait:
            return _slower(wait)
        token = _bearer(headers)
        if token is None and path == FEED and method in SAFE:
            token = _password(headers)
        if method not in SAFE and token is None and from_elsewhere(headers):
            return 403, "This came from another site and is not done.", {}
        state = scope.setdefault("state", {})
        state["who"] = None
        if not self.access.users or path.startswith(OPEN):
            return None
        user = self.access.program(token) if token is not None else self.access.by_cookie(headers.get("cookie", ""))
        if user is None:
            wait = self.logins.wait(client) if token is not None else 0.0
            return _slower(wait) if wait else _unknown(scope, token is not None)
        if method not in SAFE and user.role != "act" and path != "/logout" and self.answered(scope):
            return 403, f"{user.name} may look but not act here.", {}
        state["who"], state["may_act"] = user.name or None, user.role == "act"
        return None


def _bearer(headers: Mapping[str, str]) -> str | None:
    kind, _, token = headers.get("authorization", "").partition(" ")
    return token.strip() if kind.lower() == "bearer" else None


def _password(headers: Mapping[str, str]) -> str | None:
    """Of `Authorization: Basic`; the user's name in front of it may be anything."""
    kind, _, encoded = headers.get("authorization", "").partition(" ")
    if kind.lower() != "basic":
        return None
    try:
        return base64.b64decode(encoded, validate=True).decode().partition(":")[2]
    except (binascii.Error, ValueError):
        return ""


def _slower(wait: float) -> tuple[int, str, dict[str, str]]:
    return 429, "Too many requests at once: try again soon.", {"retry-after": str(int(wait) + 1)}


def _unknown(scope: Scope, tried: bool) -> tuple[int, str, dict[str, str]]:
    if scope["method"] == "GET" and not tried and not wants_json(scope["path"]) and not scope["path"].endswith("/live"):
        return 303, "Log in first.", {"location": f"/login?then={quote(scope['path'])}"}
    scheme = "Basic" if scope["path"] == FEED else "Bearer"
    return 401, "Log in, or send a token that is known here.", {"www-authenticate": f'{scheme} realm="bagwright"'}


def wants_json(path: str) -> bool:
    return path.startswith(("/api/", "/healthz", "/metrics", FEED))


async def _say(scope: Scope, send: Send, sorry: Callable[[str, str], str] | None, status: int, sentence: str,
               headers: dict[str, str]) -> None:
    import json

    if wants_json(scope["path"]):
        kind, body = "application/json", json.dumps({"detail": sentence}).encode()
    elif sorry is not None:
        kind, body = "text/html; charset=utf-8", sorry("That was not done", sentence).encode()
    else:
        kind, body = "text/plain; charset=utf-8", f"{sentence}\n".encode()
    sent = [(b"content-type", kind.encode()), *((k.encode(), v.encode()) for k, v in headers.items())]
    await send({"type": "http.response.start", "status": status, "headers": sent})
    await send({"type": "http.response.body", "body": body})
