"""Events to an HTTP receiver, signed as the Standard Webhooks specification 1.0.0 says.

    POST URL
    content-type: application/json       the event, as a line of events.jsonl; application/cloudevents+json where
                                         envelope = "cloudevents"
    webhook-id                           the event's id: the same at each attempt, so that a receiver can tell repeats
    webhook-timestamp                    seconds since 1970 UTC of this attempt
    webhook-signature                    v1,BASE64 of HMAC-SHA256 over ID.TIMESTAMP.BODY; left out without a secret

Any 2xx is success. 408, 425, 429, 5xx and everything that goes wrong on the network are tried again, and so is a
redirect, which is not followed: the body would go where nobody configured it. Every other answer is final.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
import math
import re
import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any

import httpx
import standardwebhooks

from monitor import __version__
from monitor.errors import InputError
from monitor.notify.envelope import CONTENT_TYPE, enveloped
from monitor.notify.outcome import Later, Outcome, Refused, Taken, retry_after, shown, temporary
from monitor.settings import Secret, WebhookSettings

CONNECT_S, ANSWER_S = 5.0, 15.0     # the specification recommends 15 to 30 s for an answer
SECRET_BYTES = (24, 64)             # the specification's table of signature schemes
_PREFIX = "whsec_"


class Webhook:
    """One receiver. now: seconds since 1970 UTC, the real ones: receivers refuse old timestamps.

    Raises InputError where the address or the secret cannot be used. One thread at a time may send.
    """

    def __init__(self, settings: WebhookSettings, *, now: Callable[[], float] = time.time,
                 answer_s: float = ANSWER_S) -> None:
        self.url, self.place = _address(settings.url)
        self._signer = None if settings.secret is None else _signer(settings.secret, self.place)
        self._now, self._answer_s = now, answer_s
        self._hidden = _hidden(self.url, settings.secret)
        self._enveloped = settings.envelope == "cloudevents"
        self._client = httpx.Client(
            timeout=httpx.Timeout(answer_s, connect=CONNECT_S), follow_redirects=False,
            headers={"user-agent": f"bagwright/{__version__}", "accept-encoding": "identity",
                     "content-type": CONTENT_TYPE if self._enveloped else "application/json"})

    def send(self, key: str, event: Mapping[str, Any]) -> Outcome:
        """One attempt. key: the idempotency key."""
        told = enveloped(key, event) if self._enveloped else event
        body = json.dumps(_strict(told), separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode(
            "utf-8", "backslashreplace")
        try:
            with self._client.stream("POST", self.url, content=body, headers=self._headers(key, body)) as response:
                return self._judged(response)
        except httpx.ConnectTimeout:
            return Later(f"{self.place} cannot be reached within {CONNECT_S:g} s")
        except httpx.TimeoutException:
            return Later(f"{self.place} does not answer within {self._answer_s:g} s")
        except httpx.HTTPError as error:
            return Later(f"{self.place}: {shown(str(error), self._hidden) or type(error).__name__}")

    def close(self) -> None:
        self._client.close()

    def _headers(self, key: str, body: bytes) -> dict[str, str]:
        attempt = int(self._now())
        headers = {"webhook-id": header_id(key), "webhook-timestamp": str(attempt)}
        if self._signer is not None:
            moment = datetime.fromtimestamp(attempt, UTC)
            headers["webhook-signature"] = self._signer.sign(headers["webhook-id"], moment, body.decode())
        return headers

    def _judged(self, response: httpx.Response) -> Outcome:
        status = response.status_code
        if response.is_success:
            return Taken()
        reason = f"{self.place} answers {status} {response.reason_phrase}".rstrip()
        if response.has_redirect_location or 300 <= status < 400:
            return Later(f"{reason}: it redirects, which is not followed; put the final address into url", slow=True)
        said = shown(_beginning(response), self._hidden)
        reason += f": {said}" if said else ""
        if temporary(status):
            return Later(reason, retry_after(response.headers.get("retry-after"), self._now()))
        return Refused(reason)


def header_id(key: str) -> str:
    """A key as a header can carry it: printable ASCII, and without the full stop that separates what is signed.

    Other bytes of its UTF-8 as percent and two hexadecimal digits, `%` too, so that no two keys become one.

    >>> header_id("intake.1/dp-limit/-/-/raised/17")
    'intake%2E1/dp-limit/-/-/raised/17'
    """
    return re.sub(rb"[^A-Za-z0-9_/:-]", lambda m: b"%%%02X" % m[0][0], key.encode("utf-8", "surrogatepass")).decode()


def channel_name(url: str) -> str:
    """The receiver's name in the outbox and for people: the host, and a few digits that tell two of one host apart.

    The rest of an address may be a secret.
    """
    host = httpx.URL(url).host
    return f"webhook {host} {hashlib.sha256(url.encode()).hexdigest()[:6]}"


def _address(text: str) -> tuple[httpx.URL, str]:
    try:
        url = httpx.URL(text)
    except httpx.InvalidURL as error:
        raise InputError(
            f"[[notify.webhook]] url cannot be used: {error}; accepted: an http or https address") from None
    return url, f"{url.scheme}://{url.netloc.decode('ascii', 'replace').rpartition('@')[2]}"


def _signer(secret: Secret, place: str) -> standardwebhooks.Webhook:
    text = secret.reveal().removeprefix(_PREFIX)
    try:
        size = len(base64.b64decode(text + "=" * (-len(text) % 4), validate=True))
    except (binascii.Error, ValueError):
        size = 0
    if not SECRET_BYTES[0] <= size <= SECRET_BYTES[1]:
        raise InputError(
            f"[[notify.webhook]] secret for {place} cannot be used; accepted: {_PREFIX} and {SECRET_BYTES[0]} to "
            f"{SECRET_BYTES[1]} random bytes in base64 (Standard Webhooks), as `openssl rand -base64 32` makes them")
    return standardwebhooks.Webhook(text)


def _hidden(url: httpx.URL, secret: Secret | None) -> list[str]:
    """What must never be seen, longest first."""
    parts = [str(url), url.raw_path.decode("ascii", "replace"), *url.path.split("/"), *url.params.values()]
    if secret is not None:
        parts += [secret.reveal(), secret.reveal().removeprefix(_PREFIX)]
    return sorted(parts, key=len, reverse=True)


def _beginning(response: httpx.Response) -> str:
    """What comes of the answer's body at once: enough for a reason, and nobody can keep us reading."""
    try:
        return next(response.iter_raw(), b"")[:1024].decode("utf-8", "replace")
    except httpx.HTTPError:
        return ""


def _strict(value: Any) -> Any:
    """The value with null where JSON has no number for it."""
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, Mapping):
        return {str(k): _strict(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_strict(v) for v in value]
    return value
