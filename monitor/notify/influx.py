"""Ready lines to a server that speaks InfluxDB's v2 write protocol, one synchronous request at a time.

The client's own batching is not used: what it holds would be lost with the process. What one answer means:

    2xx                     taken (some servers answer so and drop a malformed line without a word)
    400, 422                a line is refused: the lines are divided until the refusing ones stand alone
    413                     too much at once: half as many lines from now on
    408, 425, 429, 5xx, network   later, when the server says so or after the back-off
    401, 403, 404, others   the operator has to mend something: tried again slowly
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from monitor.errors import InputError
from monitor.notify.delivery import LineWriter, TooLarge
from monitor.notify.outcome import Later, Outcome, Refused, Taken, retry_after, shown, temporary
from monitor.settings import InfluxSettings

if TYPE_CHECKING:
    from influxdb_client.rest import ApiException

CONNECT_S, ANSWER_S = 3.0, 10.0
_BAD_LINES = (400, 422)
_TOO_LARGE, _GZIP_UNKNOWN = 413, 415


class InfluxWriter(LineWriter):
    """One server and bucket. now: seconds since 1970 UTC. Raises InputError where the address cannot be used.
    """

    def __init__(self, settings: InfluxSettings, *, now: Callable[[], float] = time.time,
                 proven: threading.Event | None = None, stopping: Callable[[], bool] = lambda: False,
                 answer_s: float = ANSWER_S) -> None:
        from influxdb_client.client.influxdb_client import InfluxDBClient
        from influxdb_client.client.write_api import SYNCHRONOUS

        super().__init__(proven, stopping)
        self._settings, self._now = settings, now
        self._token = "" if settings.token is None else settings.token.reveal()
        if not settings.url.startswith(("http://", "https://")):
            raise InputError("[notify.influx] url cannot be used; accepted: an http or https address")
        self._client = InfluxDBClient(settings.url, token=self._token, org=settings.org, enable_gzip=True,
                                      timeout=(round(CONNECT_S * 1e3), round(answer_s * 1e3)))
        self._api = self._client.write_api(write_options=SYNCHRONOUS)

    def write(self, lines: Sequence[str]) -> Outcome | TooLarge:
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

    def _judged(self, error: ApiException, lines: Sequence[str]) -> Outcome | TooLarge:
        status = int(error.status or 0)
        said = self._shown(_message(error.body) or str(error.reason or ""))
        reason = f"{self._settings.url} answers {status}: {said}" if status else f"{self._settings.url}: {said}"
        if status == _GZIP_UNKNOWN and self._client.conf.enable_gzip:
            self._client.conf.enable_gzip = False
            return self.write(lines)
        if status in _BAD_LINES:
            return Refused(reason)
        if status == _TOO_LARGE:
            return TooLarge(reason)
        if temporary(status):
            return Later(reason, retry_after(_header(error, "Retry-After"), self._now()))
        return Later(f"{reason}; look at url, org, bucket and token under [notify.influx]", slow=True)

    def _away(self, what: str) -> Later:
        """The sentence says whether the server is there at all."""
        ping = "answers a ping, though" if self.alive() else "does not answer a ping either"
        return Later(f"{self._settings.url}: {what}; it {ping}")

    def _shown(self, answer: str) -> str:
        return shown(answer, [self._token])


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
