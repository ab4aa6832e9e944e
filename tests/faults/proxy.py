"""A line between the monitor and its broker that can be cut, slowed and silenced."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from typing import Self

PIECE = 2_048


class Line:
    """Forwards TCP connections to a port on loopback. rate: bytes a second towards the monitor, None without bound;
    delay: seconds before each piece. `cut` ends what is connected; while `silent` nothing passes, nothing is closed;
    while `closed` nobody gets in."""

    def __init__(self, port: int) -> None:
        self._target = port
        self.rate: float | None = None
        self.delay = 0.0
        self.silent = self.closed = False
        self.accepted = 0
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        self._threads: list[threading.Thread] = []
        self._ended = False

    def _accept(self) -> None:
        while not self._ended:
            try:
                inner, _ = self._server.accept()
            except OSError:
                return
            if self.closed or self._ended:
                inner.close()
                continue
            try:
                outer = socket.create_connection(("127.0.0.1", self._target), 5)
            except OSError:
                inner.close()
                continue
            self.accepted += 1
            self._pairs.append((inner, outer))
            self._start(self._pump, outer, inner, True)
            self._start(self._pump, inner, outer, False)

    def _start(self, work: object, *given: object) -> None:
        thread = threading.Thread(target=work, args=given, daemon=True)  # type: ignore[arg-type]
        self._threads.append(thread)
        thread.start()

    def _pump(self, source: socket.socket, sink: socket.socket, inward: bool) -> None:
        with contextlib.suppress(OSError):
            source.settimeout(None)
            while data := source.recv(PIECE):
                while self.silent and not self._ended:
                    time.sleep(0.02)
                if inward and (self.rate or self.delay):
                    time.sleep(self.delay + (len(data) / self.rate if self.rate else 0.0))
                sink.sendall(data)
        _close(source, sink)

    def cut(self) -> None:
        pairs, self._pairs = self._pairs, []
        for pair in pairs:
            _close(*pair)

    def __enter__(self) -> Self:
        self._start(self._accept)
        return self

    def __exit__(self, *_: object) -> None:
        self._ended = True
        with contextlib.suppress(OSError):
            socket.create_connection(("127.0.0.1", self.port), 1).close()     # wakes who waits for a connection
        self._server.close()
        self.cut()
        for thread in self._threads:
            thread.join(5)


def _close(*sockets: socket.socket) -> None:
    for one in sockets:
        with contextlib.suppress(OSError):
            one.shutdown(socket.SHUT_RDWR)
        one.close()
