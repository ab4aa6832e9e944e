"""Real HTTP servers on loopback that misbehave as told, and databases to read back from."""

from __future__ import annotations

import contextlib
import gzip
import http.client
import json
import random
import socket
import struct
import threading
import time
from collections.abc import Callable, Mapping
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, NamedTuple, Self
from urllib.parse import parse_qs, quote, urlsplit

from services import http_get, influxd, victoria_metrics


class Asked(NamedTuple):
    """A request as it came; the body unpacked."""

    method: str
    path: str
    headers: Mapping[str, str]
    body: bytes
    at: float       # monotonic


class Answer(NamedTuple):
    """status 0: the connection is reset; -1: nobody answers until the server ends. endless: the body comes again every
    tenth of a second."""

    status: int = 204
    headers: Mapping[str, str] = {}
    body: bytes = b""
    endless: bool = False


RESET, SILENCE = Answer(0), Answer(-1)


class HttpServer:
    """Answers with what `answer` says; keeps what it was asked, in order."""

    def __init__(self, answer: Callable[[Asked], Answer] = lambda asked: Answer()) -> None:
        self.answer = answer
        self.asked: list[Asked] = []
        self._ended = threading.Event()
        server = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"
            wbufsize = -1       # head and body in one packet: a second one would wait 40 ms for an acknowledgement

            def handle_any(self) -> None:
                server._handle(self)

            do_GET = do_POST = handle_any  # noqa: N815

            def log_message(self, *_: object) -> None:
                return

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self._server.block_on_close = False
        self.port = self._server.server_address[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.02})

    def _handle(self, handler: BaseHTTPRequestHandler) -> None:
        body = handler.rfile.read(int(handler.headers.get("content-length", 0)))
        if handler.headers.get("content-encoding") == "gzip":
            body = gzip.decompress(body)
        headers = {k.lower(): v for k, v in handler.headers.items()}
        asked = Asked(handler.command, handler.path, headers, body, time.monotonic())
        self.asked.append(asked)
        answer = self.answer(asked)
        if answer.status <= 0:
            self._say_nothing(handler, answer)
            return
        handler.send_response(answer.status)
        for name, value in answer.headers.items():
            handler.send_header(name, value)
        if answer.status != 204:
            handler.send_header("content-length", str(10**12 if answer.endless else len(answer.body)))
        handler.end_headers()
        handler.wfile.write(answer.body)
        with contextlib.suppress(OSError):      # whoever asked has heard enough
            while answer.endless and not self._ended.wait(0.1):
                handler.wfile.write(answer.body)
                handler.wfile.flush()

    def _say_nothing(self, handler: BaseHTTPRequestHandler, answer: Answer) -> None:
        handler.close_connection = True
        if answer == SILENCE:
            self._ended.wait(30)
            return
        handler.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        handler.connection.close()

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


def moody(seed: int, share: float = 0.5) -> Callable[[Asked], Answer]:
    """Fails at random."""
    chance = random.Random(seed)
    moods = [Answer(500, body=b"out of sorts"), Answer(503), Answer(429), RESET]
    return lambda asked: chance.choice(moods) if chance.random() < share else Answer()


class Old(HttpServer):
    """The v2 write endpoint in front of a server of the 1.x line: passes lines, status and body on."""

    def __init__(self, behind: influxd, database: str) -> None:
        super().__init__(self._forward)
        self._behind, self._database = behind, database

    def _forward(self, asked: Asked) -> Answer:
        if asked.path == "/ping":
            return Answer(http_get(self._behind.port, "/ping")[0])
        precision = parse_qs(urlsplit(asked.path).query)["precision"][0]
        return http_post(self._behind.port, f"/write?db={quote(self._database)}&precision={precision[0]}", asked.body)


def http_post(port: int, target: str, body: bytes) -> Answer:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    try:
        connection.request("POST", target, body)
        response = connection.getresponse()
        return Answer(response.status, {"content-type": response.headers.get("content-type", "")}, response.read())
    finally:
        connection.close()


def query(behind: influxd, database: str, select: str) -> list[dict[str, Any]]:
    """Rows of a query, times in ns."""
    status, body = http_get(behind.port, f"/query?epoch=ns&db={quote(database)}&q={quote(select)}")
    assert status == 200, body
    series = json.loads(body)["results"][0].get("series", [])
    return [dict(zip(s["columns"], values, strict=True)) for s in series for values in s["values"]]


class Metrics(victoria_metrics):
    """Keeps old points, and one of those that came twice, as its pages advise where senders repeat themselves."""

    def command(self) -> list[str]:
        return [*super().command(), "-retentionPeriod=100y", "-dedup.minScrapeInterval=1ms"]

    def export(self, name: str) -> list[tuple[dict[str, str], dict[int, float]]]:
        """Of a metric: labels and values by time in ms."""
        http_get(self.port, "/internal/force_flush")
        status, body = http_get(self.port, "/api/v1/export?match[]=" + quote(name))
        assert status == 200, body
        found = [json.loads(line) for line in body.splitlines()]
        return [(s["metric"], dict(zip(s["timestamps"], s["values"], strict=True))) for s in found]
