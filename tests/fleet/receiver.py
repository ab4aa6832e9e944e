"""A receiver of webhooks that counts what it is told under each key, and can be made to hold its answers back."""

from __future__ import annotations

import threading
from collections import Counter
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Self


class Receiver:
    def __init__(self) -> None:
        self.told: Counter[str] = Counter()
        self.answering = threading.Event()
        self.answering.set()
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                self.rfile.read(int(self.headers["Content-Length"]))
                receiver.told[self.headers["webhook-id"]] += 1
                receiver.answering.wait(60)
                self.send_response(204)
                self.end_headers()

            def log_message(self, *_: Any) -> None: ...

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.port = self._server.server_address[1]
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)

    @property
    def config(self) -> str:
        return f'[[notify.webhook]]\nurl = "http://127.0.0.1:{self.port}/"\n'

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.answering.set()
        self._server.shutdown()
        self._server.server_close()
