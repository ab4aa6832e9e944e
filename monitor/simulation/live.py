"""The demonstration: the river intake of an invented trout hatchery, endless, in event time.

At 120 to 240 times real speed a visitor sees, within two minutes, dP climb to the changeout point, both
elements changed one after the other, and dP fall back to clean. Then lives follow lives, each a little
different; now and then one ends with a torn element.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from monitor.model import Role
from monitor.simulation.instruments import Transmitter
from monitor.simulation.machine import Machine, new_vessels, surroundings
from monitor.simulation.operator import Changeout, Element, change, draw_practice
from monitor.simulation.plant import CONTROL_NONE, SPEED, Record, Skid, Surroundings

NS = 1_000_000_000
BLOCK = 60  # s simulated at a time

_SETTINGS = '''# The river intake of an invented trout hatchery: two bag vessels in parallel on common headers.
[skid]
id = "intake-1"
name = "River intake, duplex"
vessels = ["east", "west"]

[skid.element]
rating_um = 25
area = "0.41 m^2"
changeout_dp = "1.0 bar"
max_dp = "2.4 bar"
clean_dp = "0.16 bar"
part = "25 um felt bag, size 2"

[skid.reference]
flow = "40 m^3/h"
temperature = "15 degC"
'''

VESSELS = ("east", "west")
_PRESSURE = Transmitter(
    "", Role.INLET_PRESSURE, "bar", 0.0, 10.0, noise=0.005, resolution=10 / 4096, lag=0.0
)
TRANSMITTERS = (
    replace(_PRESSURE, id="PT-101", zero=0.006),
    replace(_PRESSURE, id="PT-102", role=Role.OUTLET_PRESSURE, zero=-0.003),
    Transmitter("FT-101", Role.FLOW, "m^3/h", 0.0, 60.0, gain=1.004, noise=0.16, resolution=60 / 4096, cutoff=0.9),
    Transmitter("TT-101", Role.TEMPERATURE, "degC", 0.0, 40.0, zero=0.05, noise=0.03, resolution=0.1),
    replace(_PRESSURE, id="PT-111", role=Role.VESSEL_PRESSURE, vessel="east", zero=0.004),
    replace(_PRESSURE, id="PT-112", role=Role.VESSEL_PRESSURE, vessel="west", zero=-0.005),
)  # fmt: skip
_EVERY = {"TT-101": 10}  # s; the others every 2 s

CLEAN_DP, TURBULENT = 0.16e5, 0.36      # whole clean skid at reference; share of it that goes with flow squared
FLOW, CHANGEOUT_DP = 40 / 3600, 1.0e5
LOADING = 0.0215                        # per m^3 at the solids of the spring runoff


class Step(NamedTuple):
    """One simulated second."""

    time_ns: int
    samples: dict[str, float]   # signal id -> value in the signal's unit
    caption: str | None         # something a person should be told, now and then


def demo_settings_toml() -> str:
    """The configuration of the demonstration's skid."""
    parts = [_SETTINGS]
    for t in TRANSMITTERS:
        vessel = f'vessel = "{t.vessel}"\n' if t.vessel else ""
        parts.append(
            f'\n[[signal]]\nid = "{t.id}"\nrole = "{t.role}"\n{vessel}topic = "hatchery/intake-1/{t.id}"\n'
            f'unit = "{t.unit}"\nrange = [{t.low}, {t.high}]\n'
        )
    return "".join(parts)


@dataclass(slots=True)
class _Life:
    """What is going to happen between two changeouts. Hours since the life began; None: it does not happen."""

    solids: float
    stop_at: float | None = None
    throttle_at: float | None = None
    tear_at: float | None = None


class DemoPlant:
    """The demonstration's skid. The same seed gives the same story."""

    def __init__(self, seed: int = 1) -> None:
        self._rng = np.random.default_rng(seed)
        self._machine = _machine()
        self._captions: dict[int, str] = {}
        self._lives = 0
        self._life = _Life(solids=1.0)
        self._life_began = 0
        self._busy_until = 0
        self._torn: int | None = None
        self._wander = np.zeros(4)  # solids, throttle, back pressure, temperature

    def run(self, start_ns: int) -> Iterator[Step]:
        """Steps of one simulated second from start_ns on, for ever."""
        self._say(0, "The pump sends 38 m3/h of river water through both vessels; spring runoff loads the elements.")
        while True:
            first = self._machine.now
            record = self._machine.run(self._surroundings(first))
            samples = self._samples(record)
            for k in range(BLOCK):
                second = first + k
                due = {
                    t.id: float(samples[t.id][k]) for t in TRANSMITTERS if second % _EVERY.get(t.id, 2) == 0
                }
                yield Step(start_ns + second * NS, due, self._captions.pop(second, None))
            self._operate(float(record.reference[-1]))

    def _say(self, second: float, text: str) -> None:
        second = max(round(second), self._machine.now)
        while second in self._captions:
            second += 1
        self._captions[second] = text

    def _surroundings(self, first: int) -> Surroundings:
        """The next block: everything wanders a little; the river is warmest in the afternoon."""
        spread = np.array([0.05, 0.004, 400.0, 0.02])
        self._wander = 0.97 * self._wander + spread * math.sqrt(1 - 0.97**2) * self._rng.standard_normal(4)
        solids, throttle, back, warm = self._wander
        day = math.sin(2 * math.pi * (first / 86_400 - 0.2))
        full = np.ones(BLOCK)
        self._temperature = 273.15 + 9.0 + 1.2 * day + warm
        return surroundings(
            self._temperature * full, self._life.solids * math.exp(solids) * full, (1 + throttle) * full, back * full
        )

    def _samples(self, record: Record) -> dict[str, np.ndarray[tuple[int], np.dtype[np.float64]]]:
        ripple = 300.0 * self._rng.standard_normal(BLOCK)
        true = {
            Role.INLET_PRESSURE: record.inlet + ripple, Role.OUTLET_PRESSURE: record.outlet + ripple,
            Role.FLOW: record.flow, Role.TEMPERATURE: np.full(BLOCK, self._temperature),
        }  # fmt: skip
        return {
            t.id: t.convert(
                t.respond(true[t.role] if t.vessel is None else record.vessel[:, VESSELS.index(t.vessel)]), self._rng
            )
            for t in TRANSMITTERS
        }

    def _operate(self, reference: float) -> None:
        """What people do about what has just happened. reference: true dP at reference conditions [Pa]."""
        now, hours = self._machine.now, (self._machine.now - self._life_began) / 3600
        if now < self._busy_until:
            return
        life = self._life
        if life.stop_at is not None and hours >= life.stop_at:
            life.stop_at = None
            self._stop(now)
        elif life.throttle_at is not None and hours >= life.throttle_at:
            life.throttle_at = None
            self._throttle(now)
        elif life.tear_at is not None and hours >= life.tear_at:
            life.tear_at = None
            self._tear(now)
        elif self._torn is not None:
            self._change((self._torn, 1 - self._torn), now + self._rng.uniform(300, 900))
        elif reference >= CHANGEOUT_DP:
            self._say(now, "dP at reference conditions has reached the changeout point, 1.0 bar; an operator comes.")
            self._change((0, 1), now + self._rng.uniform(420, 720))

    def _stop(self, now: int) -> None:
        lasting = self._rng.uniform(900, 2400)
        self._say(now, "The pump is stopped for a while; a standing skid shows no dP, and that clears nothing.")
        self._machine.at(now, self._machine.stop_pump)
        back = now + lasting
        self._machine.at(back - 1, self._relax)
        self._machine.at(back, lambda: self._machine.start_pump(1.0, overshoot=0.03))
        self._say(back, "The pump runs again.")
        self._busy_until = round(back + 900)

    def _relax(self) -> None:
        for vessel in range(2):
            self._machine.lose(vessel, 0.05, 0.7)

    def _throttle(self, now: int) -> None:
        back = now + self._rng.uniform(1800, 5400)
        self._say(now, "The raceways need less water: a valve downstream is throttled; dP falls, resistance does not.")
        self._machine.at(now, lambda: self._machine.throttle(1.6, 60))
        self._machine.at(back, lambda: self._machine.throttle(1.0, 60))
        self._say(back, "Full flow again.")
        self._busy_until = round(back + 600)

    def _tear(self, now: int) -> None:
        vessel = int(self._rng.integers(2))
        self._say(now, f"An element tears: in vessel {VESSELS[vessel]} water goes round the felt.")
        self._machine.at(now, lambda: self._machine.tear(vessel, 0.2))
        self._torn, self._busy_until = vessel, now + 2400

    def _change(self, order: tuple[int, int], start: float) -> None:
        """Both elements, one after the other."""
        for vessel in order:
            practice = draw_practice(self._rng, quick=True, hold=self._rng.uniform(60, 200))
            start = self._narrate(change(self._machine, start, vessel, practice, _element(self._rng))) + 480
        self._busy_until = round(start)
        self._machine.at(start - 60, self._next_life)
        self._say(start - 60, "Both elements are new; dP is back at its clean level.")
        self._torn = None

    def _narrate(self, plan: Changeout) -> float:
        name = VESSELS[plan.vessel]
        self._say(plan.start, f"Vessel {name} is being isolated; the other one carries all the flow.")
        self._say(plan.vented, f"Vessel {name} is being vented and drained by the site's procedure, then opened.")
        self._say(plan.filling, f"A new element is in; vessel {name} is filled and bled.")
        self._say(plan.returned, f"Vessel {name} is back in service; its resistance is being checked.")
        return plan.returned

    def _next_life(self) -> None:
        self._lives += 1
        self._life_began = self._machine.now
        length = 5.4  # h of a life at solids 1
        solids = float(self._rng.uniform(0.35, 0.9))
        when = self._rng.uniform(0.2, 0.7, 3) * length / solids
        tears = self._lives % 6 == 4
        self._life = _Life(
            solids,
            stop_at=float(when[0]) if self._lives % 3 == 2 else None,
            throttle_at=float(when[1]) if self._lives % 2 == 1 else None,
            tear_at=float(max(when[2], 0.5 * length / solids)) if tears else None,
        )


def _element(rng: np.random.Generator) -> Element:
    share = FLOW / 2
    linear, square = (1 - TURBULENT) * CLEAN_DP / share, TURBULENT * CLEAN_DP / share**2 / 999.1
    return Element(linear * rng.normal(1, 0.02), square * rng.normal(1, 0.01), LOADING * rng.normal(1, 0.05))


def _machine() -> Machine:
    """The skid with both elements about half-way through their lives."""
    element = _element(np.random.default_rng(0))
    skid = Skid(
        head=3.42e5, pump_curve=0.8e5 / FLOW**2, system_curve=1.3e5 / FLOW**2, valve=0.01 * CLEAN_DP / (FLOW / 2) ** 2,
        exponent=1.0, compressibility=0.1, cake_pressure=0.5e5, viscosity_ref=1.1376e-3, density_ref=999.1,
        flow_ref=FLOW, in_service=2, control=CONTROL_NONE, control_gain=0.0, speed_limit=1.0, overshoot_decay=20.0,
    )  # fmt: skip
    pair = np.ones(2)
    vessels = new_vessels(element.clean * pair, element.housing * pair, element.loading * pair)
    vessels.ratio[:] = (4.4, 4.1)
    vessels.volume[:] = 70.0
    machine = Machine(skid, vessels, back=1.0e5)
    machine.actuators.position[SPEED] = machine.actuators.goal[SPEED] = 1.0
    return machine
