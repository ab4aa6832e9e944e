"""Ready lines to a server that speaks InfluxDB's v2 write protocol, one synchronous request at a time.

The client's own batching is not used: what it holds would be lost with the process. What one answer means:

    2xx                     taken (some servers answer so and drop a malformed line without a word)
    400, 422                a line is refused: the lines are divided until the refusing ones stand alone
    413                     too much at once: half as many lines from now on
    408, 425, 429, 5xx, network   later, when the server says so or after the back-off
    401, 403, 404, others   the operator has to mend something: tried again slowly

No line is refused for good before the server has taken one: a server that refuses everything is set up wrongly.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from monitor.errors import InputError
from monitor.model import InfluxSettings
from monitor.notify.outcome import Later, Outcome, Refused, Taken, retry_after, shown, temporary

if TYPE_CHECKING:
    from influxdb_client.rest import ApiException

BATCH = 5_000               # lines of one request; the v2 documentation's optimal size
CONNECT_S, ANSWER_S = 3.0, 10.0
REQUESTS = 200              # of one delivery: a batch full of bad lines is divided over several
REQUESTS_UNPROVEN = 30      # the same before the server has taken anything
_BAD_LINES = (400, 422)
_TOO_LARGE, _GZIP_UNKNOWN = 413, 415


@dataclass(slots=True)
class Delivery:
    """What came of some lines. refused: line and reason. left: not taken yet, in order. later: why, if tried."""

    refused: list[tuple[str, str]] = field(default_factory=list)
    left: list[str] = field(default_factory=list)
    later: Later | None = None


@dataclass(frozen=True, slots=True)
class _TooLarge:
    reason: str


class InfluxWriter:
    """One server and bucket. now: seconds since 1970 UTC. stopping: whether to leave the rest for another time.
    proven: set once the server has taken a line; writers to one server share it.

    Raises InputError where the address cannot be used. One thread at a time may write.
    """

    def __init__(self, settings: InfluxSettings, *, now: Callable[[], float] = time.time,
                 proven: threading.Event | None = None, stopping: Callable[[], bool] = lambda: False,
                 answer_s: float = ANSWER_S) -> None:
        from influxdb_client.client.influxdb_client import InfluxDBClient
        from influxdb_client.client.write_api import SYNCHRONOUS

        self.batch = BATCH
        self.proven = threading.Event() if proven is None else proven
        self._settings, self._now, self._stopping = settings, now, stopping
        self._token = "" if settings.token is None else settings.token.reveal()
        if not settings.url.startswith(("http://", "https://")):
            raise InputError("[notify.influx] url cannot be used; accepted: an http or https address")
        self._client = InfluxDBClient(settings.url, token=self._token, org=settings.org, enable_gzip=True,
                                      timeout=(round(CONNECT_S * 1e3), round(answer_s * 1e3)))
        self._api = self._client.write_api(write_options=SYNCHRONOUS)

    def deliver(self, lines: Sequence[str]) -> Delivery:
        """Writes the lines, in requests of at most `batch`, around those that the server refuses."""
        result = Delivery()
        parts = [list(lines)]
        requests = 0
        while parts and result.later is None:
            if self._stopping() or requests >= (REQUESTS if self.proven.is_set() else REQUESTS_UNPROVEN):
                break
            part = parts.pop()
            if len(part) > self.batch:
                parts += [part[self.batch :], part[: self.batch]]
                continue
            requests += 1
            self._one(part, parts, result)
        result.left += [line for part in reversed(parts) for line in part]
        return result if self.proven.is_set() else _doubted(result)

    def _one(self, part: list[str], parts: list[list[str]], result: Delivery) -> None:
        outcome = self.write(part)
        half = (len(part) + 1) // 2
        if isinstance(outcome, Taken):
            self.proven.set()
        elif isinstance(outcome, Later):
            result.later, result.left = outcome, part
        elif half < len(part):
            if isinstance(outcome, _TooLarge):
                self.batch = half
            parts += [part[half:], part[:half]]
        else:
            result.refused.append((part[0], outcome.reason))

    def write(self, lines: Sequence[str]) -> Outcome | _TooLarge:
        """One request."""
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        body = "\n".join(lines).encode("utf-8", "backslashreplace")
        try:
            self._api.write(self._settings.bucket, self._settings.org, body)
        except ApiException as error:
            return self._judged(error, lines)
        except HTTPError as error:
            return self._away(self._shown(_cause(error)))
        return Taken()

    def alive(self) -> bool:
        """Whether the server answers a ping."""
        return bool(self._client.ping())

    def close(self) -> None:
        self._client.close()  # type: ignore[no-untyped-call]

    def _judged(self, error: ApiException, lines: Sequence[str]) -> Outcome | _TooLarge:
        status = int(error.status or 0)
        said = self._shown(_message(error.body) or str(error.reason or ""))
        reason = f"{self._settings.url} answers {status}: {said}" if status else f"{self._settings.url}: {said}"
        if status == _GZIP_UNKNOWN and self._client.conf.enable_gzip:
            self._client.conf.enable_gzip = False
            return self.write(lines)
        if status in _BAD_LINES:
            return Refused(reason)
        if status == _TOO_LARGE:
            return _TooLarge(reason)
        if temporary(status):
            return Later(reason, retry_after(_header(error, "Retry-After"), self._now()))
        return Later(f"{reason}; look at url, org, bucket and token under [notify.influx]", slow=True)

    def _away(self, what: str) -> Later:
        """The sentence says whether the server is there at all."""
        ping = "answers a ping, though" if self.alive() else "does not answer a ping either"
        return Later(f"{self._settings.url}: {what}; it {ping}")

    def _shown(self, answer: str) -> str:
        return shown(answer, [self._token])


def _doubted(result: Delivery) -> Delivery:
    """The result where the server has taken nothing yet: what it refuses may be the request, not the line."""
    if result.refused and result.later is None:
        result.later = Later(f"every line is refused so far: {result.refused[0][1]}", slow=True)
    return Delivery([], [line for line, _ in result.refused] + result.left, result.later)


def _header(error: ApiException, name: str) -> str | None:
    headers: Mapping[str, str] = error.headers or {}
    return headers.get(name)


def _message(body: Any) -> str:
    """The sentence in an error's body: `message` in v2, `error` in v1."""
    content = body.decode("utf-8", "replace") if isinstance(body, bytes) else str(body or "")
    try:
        decoded = json.loads(content)
    except ValueError:
        return content
    if isinstance(decoded, dict):
        return str(decoded.get("message") or decoded.get("error") or content)
    return content


def _cause(error: Exception) -> str:
    """What went wrong on the network, without the library's name for the connection."""
    return str(error).partition("): ")[2] or str(error) or type(error).__name__
