"""What the event tier hands on."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from monitor.engine.messages_changeout import Changeout
from monitor.model import Event, Fact


class Answer(NamedTuple):
    """What came of an action, for who asked."""

    done: bool
    text: str


@dataclass(slots=True)
class Told:
    """What came of one emission."""

    events: list[Event] = field(default_factory=list)
    changeouts: list[Changeout] = field(default_factory=list)
    facts: list[Fact] = field(default_factory=list)
    answers: list[Answer] = field(default_factory=list)
