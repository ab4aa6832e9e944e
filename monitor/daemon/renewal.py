"""New settings for a daemon that runs: read and checked when somebody asks. One with a fault changes nothing."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import fields

from monitor.errors import InputError
from monitor.settings import Settings

RELOAD = "reload"
REFUSED = "refused: "


class Renewal:
    """load: reads and checks the configuration; InputError names every fault. settings: those in force."""

    def __init__(self, load: Callable[[], Settings], settings: Settings) -> None:
        self._load, self.settings = load, settings
        self._asked = threading.Event()
        self.next: Settings | None = None

    def ask(self) -> None:
        """From a signal's handler: the loop looks soon."""
        self._asked.set()

    def asked(self) -> bool:
        """Whether a signal has come since the last time."""
        asked = self._asked.is_set()
        self._asked.clear()
        return asked

    def renew(self) -> str:
        """Read the configuration; `next` holds it where it can be taken. What came of it, for who asked."""
        try:
            found = self._load()
        except InputError as error:
            return f"{REFUSED}{error}\nthe configuration before stays in force"
        if found.store != self.settings.store:
            return f"{REFUSED}[store] is another; the daemon has to be started again for that"
        self.next = found
        return "the configuration is in force: " + differences(self.settings, found)

    def take(self) -> Settings:
        """The next settings, which are in force from now on."""
        assert self.next is not None
        self.settings, self.next = self.next, None
        return self.settings


def differences(before: Settings, after: Settings) -> str:
    """What is other, for a person."""
    old, new = ({s.id: s for s in settings.skids} for settings in (before, after))
    said = [
        f"{word} {', '.join(names)}"
        for word, names in (
            ("added", sorted(new.keys() - old.keys())), ("removed", sorted(old.keys() - new.keys())),
            ("changed", sorted(k for k in old.keys() & new.keys() if old[k] != new[k])),
            ("changed", [f"[{f.name}]" for f in fields(after)
                         if f.name != "skids" and getattr(before, f.name) != getattr(after, f.name)]),
        ) if names
    ]  # fmt: skip
    return "; ".join(said) or "nothing is other"
