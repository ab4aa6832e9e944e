"""What the event tier hands on."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from monitor.engine.messages_changeout import Changeout
from monitor.forecast.life import ElementLife
from monitor.model import Event, Fact


class ForecastRow(NamedTuple):
    """A line of forecasts.csv: wall-clock hours until `changeout-due`."""

    time: int
    skid: str
    p10: float
    p50: float
    p90: float


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
    forecasts: list[ForecastRow] = field(default_factory=list)
    lives: list[ElementLife] = field(default_factory=list)
