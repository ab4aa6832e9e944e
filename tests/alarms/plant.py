"""A skid with vessel pressures, events of it, and a desk to put them on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from skids import BAR, duplex, signal

from monitor.alarms.acting import Operator
from monitor.alarms.catalogue import MONITOR
from monitor.alarms.desk import Desk, Push
from monitor.alarms.standing import Alarm
from monitor.model import NS, Entry, Event, Role, Transition
from monitor.settings import RuleSettings
from monitor.skid import SkidSettings

START = 1_767_225_600 * NS      # 2026-01-01T00:00:00Z, a Thursday
HOUR = 3_600


def skid(name: str = "s") -> SkidSettings:
    whole = duplex()
    own = tuple(signal(f"p{v}", Role.VESSEL_PRESSURE, "bar", 10.0, BAR, vessel=v) for v in whole.vessels)
    return replace(whole, id=name, signals=(*whole.signals, *own))


def at(seconds: float) -> int:
    return START + round(seconds * NS)


def event(seconds: float, kind: str, transition: str = "raised", **more: Any) -> Event:
    name = more.pop("skid", "s")
    return Event(at(seconds), name, kind, Transition(transition), f"{kind} {transition}", **more)


def fault(seconds: float, name: str, detail: str, transition: str = "raised", **more: Any) -> Event:
    return event(seconds, "signal-fault", transition, signal=name, detail=detail, **more)


class Room:
    """A desk with an operator, one time for all, and what has come of it."""

    def __init__(self, rules: Sequence[RuleSettings] = (), skids: Sequence[SkidSettings] | None = None) -> None:
        self.skids = tuple(skids or (skid(),))
        self.desk = Desk(self.skids, rules)
        self.operator = Operator(self.desk, lambda action: "told")
        self.entries: list[Entry] = []
        self.pushes: list[Push] = []
        self.states: dict[Any, dict[str, Any]] = {}
        self.asked = 0

    def events(self, *events: Event) -> None:
        for one in events:
            self.desk.event(one)
        self.collect()

    def pass_to(self, seconds: float) -> None:
        for name in (*self.desk.skids, MONITOR):
            self.desk.advance(name, at(seconds))
        self.collect()

    def act(self, verb: str, target: str, when: float, **body: Any) -> str:
        self.asked += 1
        said = self.operator.act(f"r{self.asked}", verb, {"who": "Ada", "why": "because", "target": target} | body,
                                 "test", lambda skid: at(when))
        self.collect()
        return said

    def collect(self) -> None:
        changes = self.desk.take()
        self.entries += changes.entries
        self.pushes += changes.pushes
        self.states |= changes.states

    def alarm(self, target: str) -> Alarm:
        return next(a for alarms in self.desk.alarms.values() for a in alarms.values() if a.id == target)

    def shown(self, target: str) -> str:
        return str(self.alarm(target).shown)

    def restarted(self) -> None:
        """Only what was stored is left."""
        rules = self.desk.rules
        self.desk = Desk(self.skids, rules)
        self.desk.restore(self.states)
        self.operator = Operator(self.desk, lambda action: "told")
