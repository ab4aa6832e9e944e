"""A socket that is read and written many packets at a time.

paho reads each packet in three pieces and writes each acknowledgement by itself; every such call gives the
interpreter's lock away and has to wait for it while another thread judges.
"""

from __future__ import annotations

import socket
import ssl

from paho.mqtt.client import Client

PIECE = 65_536      # bytes read at once, and written ahead at most

# What a socket that would block says: plain, and from inside TLS.
BLOCKS = (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError)


class GatheredSocket:
    """Stands before a socket (or one of TLS) that does not block. What is sent goes out with `flush`, with `close`, or
    when a piece is full; errors are those of the socket."""

    def __init__(self, sock: socket.socket) -> None:
        self._sock = sock
        self._came, self._at = b"", 0
        self._out = bytearray()

    def recv(self, size: int) -> bytes:
        """Up to `size` bytes; empty where the other side has closed."""
        if self._at >= len(self._came):
            self._came, self._at = self._sock.recv(PIECE), 0
        found = self._came[self._at : self._at + size]
        self._at += len(found)
        return found

    def send(self, data: bytes | bytearray) -> int:
        """Keep for `flush`. BlockingIOError where a piece waits already and the socket takes nothing."""
        if len(self._out) >= PIECE and not self.flush():
            raise BlockingIOError
        self._out += data
        return len(data)

    def flush(self) -> bool:
        """Write what waits; False where the socket takes no more now. A connection that is gone says so, and why, when
        it is read."""
        while self._out:
            try:
                del self._out[: self._sock.send(self._out)]
            except BLOCKS:
                return False
            except OSError:
                self._out.clear()
        return True

    @property
    def unsent(self) -> bool:
        """Whether something waits to be written."""
        return bool(self._out)

    def pending(self) -> int:
        """Bytes that are here and that no selector sees."""
        inside = self._sock.pending() if isinstance(self._sock, ssl.SSLSocket) else 0
        return len(self._came) - self._at + inside

    def fileno(self) -> int:
        return self._sock.fileno()

    def setblocking(self, flag: bool) -> None:
        self._sock.setblocking(flag)

    def close(self) -> None:
        self.flush()
        self._sock.close()


class GatheringClient(Client):
    """A paho client over a GatheredSocket; whoever drives it calls `flush` when a turn is over."""

    def _create_socket(self) -> GatheredSocket:
        return GatheredSocket(super()._create_socket())     # type: ignore[arg-type]  # no WebSocket is asked for
