"""Pushes to people through mail, text and chat services, each known by one Apprise address.

Apprise says only whether a service took a message, not whether it ever will: what was not taken is tried again, and a
push that is a day old is given up as of no use any more.
"""

from __future__ import annotations

import logging
import threading
import warnings
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from monitor.errors import InputError
from monitor.notify.outcome import Later, Outcome, Taken, shown
from monitor.settings import ServiceSettings

LISTED = 20     # alarms that a summary names
ORDER = ("high", "medium", "low", None)


class Service:
    """One service. One thread at a time may send. Raises InputError where its address cannot be used."""

    def __init__(self, settings: ServiceSettings) -> None:
        self.id, self._hidden = settings.id, list(_parts(settings.address.reveal()))
        with warnings.catch_warnings(), _Heard() as heard:
            warnings.simplefilter("ignore", DeprecationWarning)     # of modules that its many plugins import
            import apprise  # half a second and many modules: only where somebody uses it

            self._apprise = apprise.Apprise()
            good = self._apprise.add(settings.address.reveal())
        if not good:
            raise InputError(f"[[notify.service]] {self.id}: its address cannot be used"
                             f"{self._said(heard)}; accepted: an Apprise address, as mailto:// or ntfys://")

    def send(self, key: str, body: Mapping[str, Any]) -> Outcome:
        """One attempt to send one push. key: its name for ever, so that people can tell a repeat."""
        return self._send(str(body["title"]), f"{body['text']}\nReference: {key}")

    def summary(self, bodies: Sequence[Mapping[str, Any]]) -> Outcome:
        """One attempt to send many at once, in a few words."""
        return self._send(*summary_of(bodies))

    def _send(self, title: str, text: str) -> Outcome:
        with _Heard() as heard:
            taken = bool(self._apprise.notify(body=text, title=title))
        return Taken() if taken else Later(f"the service {self.id} does not take it{self._said(heard)}")

    def _said(self, heard: _Heard) -> str:
        text = shown(" ".join(heard.lines), self._hidden)
        return f": {text}" if text else ""


def summary_of(bodies: Sequence[Mapping[str, Any]]) -> tuple[str, str]:
    """Title and text of a flood: how many of each priority and where, the most urgent ones by name."""
    ranked = sorted(bodies, key=lambda b: ORDER.index(b.get("priority")))
    counts = [f"{n} {p or 'other'}" for p in ORDER if (n := sum(b.get("priority") == p for b in bodies))]
    skids = sorted({str(b.get("skid")) for b in bodies})
    title = f"{len(bodies)} alarms at once: {', '.join(counts)} priority"
    lines = [f"On {len(skids)} skid(s): {', '.join(skids[:LISTED])}{' and more' if len(skids) > LISTED else ''}."]
    lines += [f"- {b['title']} ({b.get('since', '')})" for b in ranked[:LISTED]]
    if len(ranked) > LISTED:
        lines.append(f"and {len(ranked) - LISTED} more.")
    return title, "\n".join([*lines, f"All of them: {ranked[0].get('link', '')}"])


class _Heard(logging.Handler):
    """What Apprise logs in this thread while it is inside; nothing of it goes anywhere else."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.lines: list[str] = []
        self._thread = threading.get_ident()

    def emit(self, record: logging.LogRecord) -> None:
        if record.thread == self._thread:
            self.lines.append(record.getMessage())

    def __enter__(self) -> _Heard:
        logger = logging.getLogger("apprise")
        logger.propagate = False
        logger.addHandler(self)
        return self

    def __exit__(self, *_: object) -> None:
        logging.getLogger("apprise").removeHandler(self)


def _parts(address: str) -> Iterable[str]:
    """Pieces of an address that must never be seen, the longest first."""
    pieces = {address, address.partition("://")[2]}
    for mark in "/@?&=:":
        pieces |= {part for piece in list(pieces) for part in piece.split(mark)}
    return sorted(pieces, key=len, reverse=True)
