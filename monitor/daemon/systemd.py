"""The service manager's notifications (sd_notify(3)): a datagram of NAME=VALUE lines to $NOTIFY_SOCKET."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Mapping


class Notify:
    """Tells the service manager; does nothing where none asks. environ: the process's."""

    def __init__(self, environ: Mapping[str, str]) -> None:
        self._address = environ.get("NOTIFY_SOCKET", "")
        if self._address.startswith("@"):       # the abstract namespace, unix(7)
            self._address = "\0" + self._address[1:]
        self.watchdog_s = _seconds(environ.get("WATCHDOG_USEC", ""))

    def tell(self, **values: str) -> None:
        """One datagram; a manager that does not listen is not waited for."""
        if not self._address:
            return
        text = "\n".join(f"{name.upper()}={value}" for name, value in values.items())
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
            sender.settimeout(1.0)
            sender.sendto(text.encode(), self._address)


def _seconds(microseconds: str) -> float | None:
    return int(microseconds) / 1e6 if microseconds.isdecimal() and int(microseconds) > 0 else None
