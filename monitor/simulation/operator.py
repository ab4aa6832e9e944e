"""What an operator does to a vessel: isolate, vent, open, change, fill, hold, return; well, in haste or badly.

The order of valves is the usual one (common practice, no source): inlet shut first, so that the vessel falls
to the outlet header's pressure; outlet shut; vented and drained; opened; filled through a cracked inlet;
outlet opened; inlet opened in two steps. Returned is when the inlet is fully open.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from monitor.simulation.machine import Machine


@dataclass(frozen=True, slots=True)
class Element:
    """One element as fitted. clean [Pa s/m^3], housing [1/m^4] with its strainer basket, loading [1/m^3]."""

    clean: float
    housing: float
    loading: float
    ratio: float = 1.0


@dataclass(frozen=True, slots=True)
class Practice:
    """How long the steps of a changeout take, in seconds; rates as time constants."""

    shut: float = 4.0
    before_outlet: float = 6.0
    before_vent: float = 20.0
    vent: float = 25.0
    open_for: float = 900.0
    fill: float = 12.0
    fill_for: float = 60.0
    fill_to: float = 0.97          # share of the inlet header's pressure
    fill_share: float = 0.1        # of one vessel's share of the reference flow, drawn while filling
    hold: float = 60.0             # blocked in and full
    seep: float = math.inf         # time constant of a hold's decay
    thermal: float = 0.0           # drift of a hold [Pa/s]
    part_open: float = 0.15        # inlet valve's first step
    part_for: float = 20.0


@dataclass(frozen=True, slots=True)
class Changeout:
    """When what happened, in seconds."""

    vessel: int
    start: int
    isolated: int
    vented: int
    swapped: int
    filling: int
    held: int
    outlet_opened: int
    returned: int


def draw_practice(rng: np.random.Generator, *, quick: bool = False, hold: float | None = None) -> Practice:
    """An operator's habits. quick: a hurried change; hold: seconds blocked in, else a short or long wait at random."""
    wait = hold if hold is not None else float(rng.choice([0.0, rng.uniform(10, 60), rng.uniform(120, 420)]))
    return Practice(
        shut=rng.uniform(2, 9), before_outlet=rng.uniform(2, 25), before_vent=rng.uniform(8, 50),
        vent=rng.uniform(10, 35), open_for=rng.uniform(300, 480) if quick else rng.uniform(480, 1500),
        fill=rng.uniform(8, 22), fill_for=rng.uniform(35, 110), fill_to=rng.uniform(0.94, 0.995),
        fill_share=rng.uniform(0.06, 0.18), hold=wait, part_open=rng.uniform(0.1, 0.3), part_for=rng.uniform(8, 40),
    )  # fmt: skip


def change(machine: Machine, start: float, vessel: int, practice: Practice, element: Element) -> Changeout:
    """Schedules a changeout of `vessel` from `start` on and says when its steps will be."""
    p, v = practice, machine.vessels
    first = round(start)
    isolated = round(first + p.shut + p.before_outlet + p.shut)
    vented = round(isolated + p.before_vent)
    swapped = round(vented + 4 * p.vent + p.open_for / 2)
    filling = round(vented + 4 * p.vent + p.open_for)
    held = round(filling + p.fill_for)
    outlet_opened = round(held + p.hold)
    inlet_opened = round(outlet_opened + p.shut + 3)
    returned = round(inlet_opened + p.shut + p.part_for + p.shut)

    def block(goal: float, constant: float, drift: float = 0.0) -> None:
        v.filling[vessel] = 0.0
        v.goal[vessel], v.rate[vessel], v.drift[vessel] = goal, -math.expm1(-1.0 / constant), drift

    def fit() -> None:
        v.clean[vessel], v.housing[vessel] = element.clean, element.housing
        v.loading[vessel], v.ratio[vessel] = element.loading, element.ratio
        v.relaxed[vessel] = v.volume[vessel] = 0.0

    def fill() -> None:
        v.goal[vessel], v.filling[vessel] = p.fill_to, -math.expm1(-1.0 / p.fill)
        v.fill_flow[vessel] = p.fill_share * machine.skid.flow_ref / machine.skid.in_service

    machine.at(first, lambda: machine.inlet_valve(vessel, 0.0, p.shut))
    machine.at(first + p.shut + p.before_outlet, lambda: machine.outlet_valve(vessel, 0.0, p.shut))
    machine.at(isolated, lambda: block(0.0, math.inf))
    machine.at(vented, lambda: block(0.0, p.vent))
    machine.at(swapped, fit)
    machine.at(filling, fill)
    machine.at(held, lambda: block(0.0, p.seep, p.thermal))
    machine.at(outlet_opened, lambda: machine.outlet_valve(vessel, 1.0, p.shut))
    machine.at(inlet_opened, lambda: machine.inlet_valve(vessel, p.part_open, p.shut))
    machine.at(returned - p.shut, lambda: machine.inlet_valve(vessel, 1.0, p.shut))
    return Changeout(vessel, first, isolated, vented, swapped, filling, held, outlet_opened, returned)


def let_back(machine: Machine, plan: Changeout, begin: float, end: float, goal: float, constant: float) -> None:
    """From `begin` to `end` a valve lets pressure back into a vessel that is out and vented: towards `goal` [Pa] with a
    time constant [s]; then it is vented again."""
    v, i = machine.vessels, plan.vessel

    def tend(to: float, over: float) -> None:
        v.goal[i], v.rate[i] = to, -math.expm1(-1.0 / over)

    machine.at(begin, lambda: tend(goal, constant))
    machine.at(end, lambda: tend(0.0, 15.0))


def isolate_briefly(
    machine: Machine, start: float, vessel: int, lasting: float, *, shut: float = 3.0, outlet_too: bool = False
) -> tuple[int, int]:
    """Shuts a vessel's inlet (or both valves) for a while without opening the vessel; returns from when to when."""
    first, back = round(start), round(start + lasting)
    machine.at(first, lambda: machine.inlet_valve(vessel, 0.0, shut))
    if outlet_too:
        machine.at(first + shut + 2, lambda: machine.outlet_valve(vessel, 0.0, shut))
        machine.at(back - shut - 2, lambda: machine.outlet_valve(vessel, 1.0, shut))
    machine.at(back, lambda: machine.inlet_valve(vessel, 0.25, shut))
    machine.at(back + shut + 15, lambda: machine.inlet_valve(vessel, 1.0, shut))
    return first, round(back + 2 * shut + 15)


def bring_in(machine: Machine, start: float, vessel: int, shut: float = 4.0) -> int:
    """Takes a standby vessel (full, both valves shut) into service; returns when it carries its share."""
    first = round(start)
    machine.at(first, lambda: machine.outlet_valve(vessel, 1.0, shut))
    machine.at(first + shut + 4, lambda: machine.inlet_valve(vessel, 0.2, shut))
    machine.at(first + 2 * shut + 20, lambda: machine.inlet_valve(vessel, 1.0, shut))
    return round(first + 3 * shut + 20)


def take_out(machine: Machine, start: float, vessel: int, shut: float = 4.0) -> int:
    """Takes a vessel out of service, full and under pressure; returns when both valves are shut."""
    first = round(start)
    machine.at(first, lambda: machine.inlet_valve(vessel, 0.0, shut))
    machine.at(first + shut + 5, lambda: machine.outlet_valve(vessel, 0.0, shut))
    return round(first + 2 * shut + 5)
