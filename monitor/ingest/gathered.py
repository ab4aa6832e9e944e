"""A socket that is read and written many packets at a time.

paho reads each packet in three pieces and writes each acknowledgement by itself; every such call gives the
interpreter's lock away and has to wait for it while another thread judges.
"""

from __future__ import annotations

import socket
import ssl
from collections.abc import Callable
from typing import NamedTuple

from paho.mqtt.client import Client
from paho.mqtt.enums import MQTTErrorCode

PIECE = 65_536      # bytes read at once, and written ahead at most
LEAST_PUBLISH = 4   # bytes of a topic's length, a topic, a length of properties

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


class Plain(NamedTuple):
    """A PUBLISH as nearly all are: of QoS 0 or 1, its topic spelt out, without properties."""

    topic: str
    payload: bytes
    retain: bool
    mid: int        # 0 at QoS 0
    qos: int


def plain(header: int, packet: bytes | bytearray) -> Plain | None:
    """Decode an MQTT 5 PUBLISH (MQTT 5.0, 3.3) where it is a plain one. packet: what follows the fixed header."""
    qos = header >> 1 & 3
    size = len(packet)
    if qos > 1 or size < LEAST_PUBLISH:
        return None
    end = 2 + (packet[0] << 8 | packet[1])
    at = end + 2 * qos
    if end == 2 or at >= size or packet[at]:
        return None
    try:
        topic = packet[2:end].decode()
    except UnicodeDecodeError:
        return None
    mid = packet[end] << 8 | packet[end + 1] if qos else 0
    return Plain(topic, bytes(packet[at + 1 :]), bool(header & 1), mid, qos)


class GatheringClient(Client):
    """A paho client for MQTT 5 over a GatheredSocket; whoever drives it calls `flush` when a turn is over. Plain
    messages go to `on_plain`, unacknowledged, without the object of properties that takes paho half its time; all
    others to `on_message`."""

    on_plain: Callable[[Plain], None]

    def _handle_publish(self) -> MQTTErrorCode:
        found = plain(self._in_packet["command"], self._in_packet["packet"])
        if found is None:
            return super()._handle_publish()
        try:
            self.on_plain(found)
        except Exception:       # as paho does for a callback: those after it must come through
            if not self.suppress_exceptions:
                raise
        return MQTTErrorCode.MQTT_ERR_SUCCESS

    def _create_socket(self) -> GatheredSocket:
        return GatheredSocket(super()._create_socket())     # type: ignore[arg-type]  # no WebSocket is asked for
