"""A skid that runs: the state of `plant.py` with a clock in seconds and a queue of what is going to be done to it."""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Callable

import numpy as np

from monitor.hydraulics.water import density, viscosity
from monitor.simulation.plant import (
    BACK,
    BOXED,
    BOXED_RATE,
    FIRST_VALVE,
    OVERSHOOT,
    SETPOINT,
    SPEED,
    THROTTLE,
    TRUTH_EVERY,
    Actuators,
    Array,
    Record,
    Skid,
    Surroundings,
    Vessels,
    advance,
    at_reference,
    vessel_flow,
)

Action = Callable[[], None]


def new_vessels(clean: Array, housing: Array, loading: Array) -> Vessels:
    """Vessels in service with clean elements. clean [Pa s/m^3], housing [1/m^4], loading [1/m^3]."""
    def all_of(value: float) -> Array:
        return np.full(clean.size, value)

    return Vessels(
        clean=clean.copy(), housing=housing.copy(), ratio=all_of(1.0), relaxed=all_of(0.0), recovery=all_of(10.0),
        loading=loading.copy(), volume=all_of(0.0), pressure=all_of(0.0), goal=all_of(0.0), rate=all_of(0.0),
        drift=all_of(0.0), filling=all_of(0.0), fill_flow=all_of(0.0), duty=all_of(1.0),
    )  # fmt: skip


class Machine:
    """A running skid. Time is whole seconds since its start; everything it does is decided by its arguments."""

    def __init__(self, skid: Skid, vessels: Vessels, *, back: float, setpoint: float = 0.0) -> None:
        count = vessels.clean.size
        position = np.ones(FIRST_VALVE + 2 * count)
        position[BACK], position[SETPOINT] = back, setpoint
        self.skid, self.vessels, self.now = skid, vessels, 0
        memory = np.array([0.0, 0.0, 1.0, 0.0, -1.0])
        self.actuators = Actuators(position, position.copy(), np.ones_like(position), memory)
        self._queue: list[tuple[int, int, Action]] = []
        self._order = itertools.count()

    @property
    def count(self) -> int:
        return int(self.vessels.clean.size)

    def at(self, second: float, action: Action) -> None:
        """Does `action` at that second, or at once where that is past."""
        heapq.heappush(self._queue, (max(round(second), self.now), next(self._order), action))

    def move(self, actuator: int, goal: float, over: float = 1.0) -> None:
        """Moves an actuator to its goal within `over` seconds."""
        travel = abs(goal - float(self.actuators.position[actuator]))
        self.actuators.goal[actuator] = goal
        self.actuators.speed[actuator] = travel / max(over, 1.0) if travel else 1.0

    def inlet_valve(self, vessel: int, opening: float, over: float = 3.0) -> None:
        self.move(FIRST_VALVE + vessel, opening, over)

    def outlet_valve(self, vessel: int, opening: float, over: float = 3.0) -> None:
        self.move(FIRST_VALVE + self.count + vessel, opening, over)

    def throttle(self, factor: float, over: float = 3.0) -> None:
        """Multiplies the system curve's resistance."""
        self.move(THROTTLE, factor, over)

    def stop_pump(self, over: float = 4.0) -> None:
        self.move(SPEED, 0.0, over)

    def start_pump(self, speed: float, *, over: float = 6.0, overshoot: float = 0.0) -> None:
        """Runs the pump up; a start overshoots by that share and decays."""
        self.move(SPEED, speed, over)
        self.actuators.memory[OVERSHOOT] = overshoot

    def box_in(self, constant: float) -> None:
        """Shuts an idle skid off from its neighbours; its pressure then decays with a time constant [s]."""
        self.actuators.memory[BOXED] = self.actuators.position[BACK]
        self.actuators.memory[BOXED_RATE] = -math.expm1(-1.0 / constant)

    def release(self) -> None:
        """Opens an idle skid to what is downstream again."""
        self.actuators.memory[BOXED_RATE] = -1.0

    def lose(self, vessel: int, share: float, comes_back: float = 0.0) -> None:
        """Takes a share of the cake's resistance; `comes_back` of it returns with the volume that follows."""
        v = self.vessels
        v.relaxed[vessel] = 1.0 - (1.0 - v.relaxed[vessel]) * (1.0 - share * comes_back)
        v.ratio[vessel] = 1.0 + (v.ratio[vessel] - 1.0) * (1.0 - share * (1.0 - comes_back))

    def tear(self, vessel: int, left: float, loading_left: float = 0.0) -> None:
        """A torn or bypassed element: `left` of the clean element's a remains, no cake, little further loading."""
        v = self.vessels
        v.clean[vessel] *= left
        v.ratio[vessel], v.relaxed[vessel] = 1.0, 0.0
        v.loading[vessel] *= loading_left

    def at_reference(self) -> tuple[float, Array]:
        """dP at reference flow and temperature now, of the vessels on duty and of each at its share [Pa]."""
        reference, resistance = np.zeros(1), np.zeros((1, self.count))
        at_reference(self.skid, self.vessels, reference, resistance, 0)
        return float(reference[0]), resistance[0]

    def flow_left_for(self, vessel: int, drop: float) -> float:
        """What one vessel must pass at reference conditions so that the skid shows `drop` [Pa], in m^3/s."""
        v, total = self.vessels, self.skid.flow_ref
        for i in range(self.count):
            if i != vessel and v.duty[i] > 0.5:
                ratio = 1 + (v.ratio[i] - 1) * (1 - v.relaxed[i])
                total -= vessel_flow(drop, v.clean[i], self.quadratic(i), ratio, self.skid)[0]
        return float(total)

    def quadratic(self, vessel: int) -> float:
        """b rho of a vessel with its open valves, at reference density [Pa s^2/m^6]."""
        return float(self.vessels.housing[vessel] * self.skid.density_ref + 2 * self.skid.valve)

    def tear_to_lose(self, vessel: int, loss: float, loading_left: float) -> float:
        """Tears an element so that the skid's dP falls by the share `loss`, or by what one vessel can.

        Returns by which share it fell.
        """
        before, _ = self.at_reference()
        flow = self.flow_left_for(vessel, (1 - loss) * before)
        linear = ((1 - loss) * before - self.quadratic(vessel) * flow**2) / flow if flow > 0 else 0.0
        self.tear(vessel, max(linear / float(self.vessels.clean[vessel]), 0.03), loading_left)
        return 1 - self.at_reference()[0] / before

    def throttle_for(self, share: float) -> float:
        """Factor on the system curve that brings flow to `share` of what it would be unthrottled, at full speed."""
        skid, resistance = self.skid, self.at_reference()[0] / self.skid.flow_ref
        lift = skid.head - float(self.actuators.position[BACK])

        def left(flow: float) -> float:
            return lift - skid.pump_curve * flow**2 - resistance * flow

        low, high = 0.0, 3 * skid.flow_ref
        for _ in range(40):
            middle = (low + high) / 2
            low, high = (middle, high) if left(middle) > skid.system_curve * middle**2 else (low, middle)
        wanted = share * low
        return max(left(wanted) / (skid.system_curve * wanted**2), 0.02)

    def slip(self, vessel: int, loss: float, comes_back: float) -> None:
        """A vessel's cake slips so that the skid's dP falls by the share `loss`, or what 90 % of that cake makes."""
        before, _ = self.at_reference()
        kept = float(self.vessels.ratio[vessel]), float(self.vessels.relaxed[vessel])
        low, high = 0.0, 0.9
        for _ in range(20):
            self.vessels.ratio[vessel], self.vessels.relaxed[vessel] = kept
            middle = (low + high) / 2
            self.lose(vessel, middle, comes_back)
            enough = 1 - self.at_reference()[0] / before >= loss
            low, high = (low, middle) if enough else (middle, high)

    def run(self, around: Surroundings) -> Record:
        """Runs through `around`, doing on the way what is due, and returns what happened."""
        seconds = around.viscosity.size
        rows = len(range(-(-self.now // TRUTH_EVERY), -(-(self.now + seconds) // TRUTH_EVERY)))
        record = _empty_record(self.count, seconds, rows)
        done, row = 0, 0
        while done < seconds:
            while self._queue and self._queue[0][0] <= self.now:
                heapq.heappop(self._queue)[2]()
            ahead = self._queue[0][0] - self.now if self._queue else seconds
            step = min(ahead, seconds - done)
            part = slice(done, done + step)
            target = Record(
                record.inlet[part], record.outlet[part], record.flow[part], record.vessel[part],
                record.forward[part], record.reference[row:], record.resistance[row:],
            )  # fmt: skip
            advance(self.skid, self.vessels, self.actuators, Surroundings(*(a[part] for a in around)), target, self.now)
            row += len(range(-(-self.now // TRUTH_EVERY), -(-(self.now + step) // TRUTH_EVERY)))
            self.now, done = self.now + step, done + step
        return record


def _empty_record(count: int, seconds: int, rows: int) -> Record:
    return Record(
        np.empty(seconds), np.empty(seconds), np.empty(seconds), np.empty((seconds, count)), np.empty(seconds),
        np.empty(rows), np.empty((rows, count)),
    )  # fmt: skip


def surroundings(temperature: Array, solids: Array, throttle: Array, back: Array) -> Surroundings:
    """What acts on the skid, each an entry a second. temperature [K], back [Pa], the others relative."""
    return Surroundings(viscosity(temperature), density(temperature), solids, throttle, back)
