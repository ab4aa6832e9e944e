"""Cases as the page shows them: recordings whose labels somebody confirms. Whoever keeps them is handed in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, tzinfo
from typing import Protocol

from markupsafe import Markup

# By list of labels.json.
STATES = {"proposals": "proposed", "events": "label", "decoys": "decoy", "allowed": "allowed"}


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of labels.json. list: one of STATES; times ns; what: of a decoy, what it was."""

    id: str
    list: str
    time: int
    kind: str | None
    until: int | None = None
    vessel: str | None = None
    signal: str | None = None
    detail: str | None = None
    within_s: float | None = None
    what: str | None = None
    by: str | None = None


@dataclass(frozen=True, slots=True)
class Case:
    """entries: in order of time. kinds: kind -> the details it may have. zone: by whose clocks the recording was made.
    Times ns."""

    name: str
    skid: str
    vessels: Sequence[str]
    signals: Sequence[str]
    first: int
    last: int
    entries: Sequence[Entry]
    kinds: Mapping[str, Sequence[str]]
    zone: tzinfo = UTC

    def count(self, state: str) -> int:
        return sum(entry.list == state for entry in self.entries)

    @property
    def proposed(self) -> Sequence[Entry]:
        return [entry for entry in self.entries if entry.list == "proposals"]

    def entry(self, name: str) -> Entry | None:
        return next((entry for entry in self.entries if entry.id == name), None)


class Cases(Protocol):
    """A folder of cases. What cannot be read or done raises an InputError with a sentence for a person."""

    def names(self) -> Sequence[str]:
        """In order of date, the newest first."""

    def case(self, name: str) -> Case:
        ...

    def plot(self, name: str, time: int) -> Markup:
        """What went on around a time [ns]; empty where it is not known."""

    def change(self, name: str, act: str, entries: Sequence[str], fields: Mapping[str, str], who: str) -> int:
        """act: confirm, reject, drop, correct or add. fields: of a correction or addition, and `why`. Returns how
        many entries it was done to."""
