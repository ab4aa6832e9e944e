"""Made-up afternoons for surges, shut paths, holds and leak sensors: courses of pressures, once a second. Invented."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from monitor.engine.engine import Engine
from monitor.model import NS, Event, Role, Transition
from monitor.skid import SkidSettings
from tests.skids import START, duplex, signal, stream

Values = npt.NDArray[np.float64]
NOISE = 0.004            # bar, of each gauge
INLET, OUTLET = 0, 1


@dataclass
class Afternoon:
    """Courses in bar (m^3/h, 0 and 1) of a skid with two vessels; usual inlet 4.0, outlet 3.4, flow 40.

    also: role -> course, of signals besides the headers.
    """

    seconds: int
    flow: bool = True
    also: dict[str, tuple[Role, str | None, Values]] = field(default_factory=dict)
    seed: int = 0

    def __post_init__(self) -> None:
        self.inlet = np.full(self.seconds, 4.0)
        self.outlet = np.full(self.seconds, 3.4)
        self.rate = np.full(self.seconds, 40.0)

    def add(self, name: str, role: Role, course: Values, vessel: str | None = None) -> Values:
        """Another signal; returns its course, to be changed."""
        self.also[name] = (role, vessel, np.asarray(course, float).copy())
        return self.also[name][2]

    def stop(self, begin: int, end: int, level: float = 2.0) -> None:
        """The pump stands; both headers are at one level."""
        self.inlet[begin:end] = self.outlet[begin:end] = level
        self.rate[begin:end] = 0.0

    def skid(self) -> SkidSettings:
        plain = duplex(flow=self.flow)
        contact = (Role.LEAK_SENSOR, Role.PUMP_RUNNING)
        more = [
            signal(name, role, "1", 1.0, 1.0, vessel=vessel) if role in contact else
            signal(name, role, "bar", 10.0, 1e5, vessel=vessel)
            for name, (role, vessel, _) in self.also.items()
        ]  # fmt: skip
        signals = (*(s for s in plain.signals if s.role is not Role.TEMPERATURE), *more)
        return replace(plain, signals=signals)

    def events(self, kind: str, *, every: int = 1, skid: SkidSettings | None = None) -> list[Event]:
        """Events of one kind, at a reading every `every` seconds."""
        return [e for e in self.run(every=every, skid=skid)[1] if e.kind == kind]

    def run(self, *, every: int = 1, skid: SkidSettings | None = None) -> tuple[Engine, list[Event]]:
        """The engine as it is afterwards, and all events."""
        rng = np.random.default_rng(self.seed)
        skid = skid or self.skid()
        columns = {}
        for k, s in enumerate(skid.signals):
            own = {Role.INLET_PRESSURE: self.inlet, Role.OUTLET_PRESSURE: self.outlet, Role.FLOW: self.rate}
            course = own[s.role] if s.role in own else self.also[s.id][2]
            noise = {"bar": NOISE, "m^3/h": 0.1 * (course > 0)}.get(s.unit, 0.0)
            columns[k] = np.round((course + noise * rng.normal(0, 1, self.seconds))[::every], 3)
        engine = Engine([skid])
        output, _ = engine.feed({0: stream(columns, every=every)})
        return engine, output.events + engine.finish().events


def raised(events: list[Event]) -> list[float]:
    """Seconds since the start at which something was raised."""
    return [(e.time - START) / NS for e in events if e.transition is Transition.RAISED]


def cleared(events: list[Event]) -> list[float]:
    return [(e.time - START) / NS for e in events if e.transition is Transition.CLEARED]
