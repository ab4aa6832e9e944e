"""Hydraulics of a skid second by second: pump, system, vessels in parallel, cake that grows and is compressed.

SI throughout: Pa (gauge), m^3/s, Pa s, kg/m^3, s. The pump's head includes the suction pressure.

One vessel: dP = a (mu/mu_ref) q + b rho q^2 (Darcy-Forchheimer), a = a_clean [1 + (r - 1) (dP/dP_c)^s]
with r the blocking ratio and s the compressibility of the cake. Loading: dr/dV = k c r^m with m = 0 cake,
1 intermediate, 3/2 standard, 2 complete blocking (Hermia's laws in their constant-flow form).
Pump: H = n^2 H0 - k Q^2 (affinity laws). System: P_out = P_back + k_s Q^2. Vessels share one dP.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.compiled import allocating as compiled

Array = npt.NDArray[np.float64]

CONTROL_NONE, CONTROL_FLOW, CONTROL_OUTLET, CONTROL_INLET = 0, 1, 2, 3
SPEED, THROTTLE, BACK, SETPOINT, FIRST_VALVE = 0, 1, 2, 3, 4  # positions in Actuators, valves from FIRST_VALVE
OVERSHOOT, LAST_DROP, TRIM, BOXED, BOXED_RATE = 0, 1, 2, 3, 4  # positions in Actuators.memory, see there
TRUTH_EVERY = 60  # s


class Skid(NamedTuple):
    """What does not change while a skid runs."""

    head: float               # of the pump without flow at full speed, suction included [Pa]
    pump_curve: float         # [Pa s^2/m^6]
    system_curve: float       # of everything downstream [Pa s^2/m^6]
    valve: float              # of one fully open isolating valve [Pa s^2/m^6]
    exponent: float           # m of the blocking law
    compressibility: float    # s of the cake
    cake_pressure: float      # dP at which the blocking ratio is defined [Pa]
    viscosity_ref: float      # [Pa s]
    density_ref: float        # [kg/m^3]
    flow_ref: float           # whole skid [m^3/s]
    in_service: int
    control: int              # CONTROL_*
    control_gain: float       # relative speed change per relative error and second
    speed_limit: float        # of the drive, relative
    overshoot_decay: float    # time constant of a start's overshoot [s]


class Vessels(NamedTuple):
    """State of the vessels, one entry each."""

    clean: Array              # a of the clean element [Pa s/m^3] at reference viscosity
    housing: Array            # b [1/m^4]
    ratio: Array              # r, blocking ratio [1]
    relaxed: Array            # share of the cake's resistance that a stop took and that comes back [1]
    recovery: Array           # volume after which 63 % of it has come back [m^3]
    loading: Array            # k [1/m^3] at solids 1
    volume: Array             # through the element since the last change [m^3]
    pressure: Array           # on the unfiltered side [Pa]
    goal: Array               # where the pressure of a blocked-in vessel tends to [Pa]
    rate: Array               # how fast [1/s]
    drift: Array              # of a blocked-in vessel, thermal [Pa/s]
    filling: Array            # 1/s towards the inlet header's pressure, 0 when not filling
    fill_flow: Array          # drawn from the inlet header while filling [m^3/s]
    duty: Array               # 1: counts for the resistance at reference conditions


class Actuators(NamedTuple):
    """Things that move steadily to a goal: SPEED, THROTTLE, BACK, SETPOINT, inlet valves, outlet valves.

    memory: OVERSHOOT of a start [1], LAST_DROP the dP found last [Pa], TRIM the controller's relative speed,
    BOXED the pressure of an idle skid shut off from its neighbours [Pa] and BOXED_RATE how it decays [1/s],
    negative where the idle skid is open to what is downstream.
    """

    position: Array
    goal: Array
    speed: Array              # [1/s] or [Pa/s]
    memory: Array             # see OVERSHOOT and what follows it


class Surroundings(NamedTuple):
    """What acts on the skid, one entry a second."""

    viscosity: Array          # [Pa s]
    density: Array            # [kg/m^3]
    solids: Array             # relative to the usual
    throttle: Array           # relative wander of the system curve
    back: Array               # wander of the back pressure [Pa]


class Record(NamedTuple):
    """What the skid did, one entry a second; `reference` and `resistance` every TRUTH_EVERY s."""

    inlet: Array              # [Pa]
    outlet: Array             # [Pa]
    flow: Array               # at the meter, upstream [m^3/s]
    vessel: Array             # (seconds, vessels) [Pa]
    forward: Array            # flow through the elements [m^3/s]
    reference: Array          # dP at reference flow and temperature [Pa]
    resistance: Array         # (minutes, vessels) dP of each at its share of the reference flow [Pa]


@compiled
def cake_factor(ratio: float, pressure_drop: float, cake_pressure: float, compressibility: float) -> float:
    """a / a_clean of an element with blocking ratio `ratio` at `pressure_drop` [Pa]."""
    if compressibility == 0.0 or ratio == 1.0:
        return ratio
    return 1.0 + (ratio - 1.0) * math.pow(max(pressure_drop, 1.0) / cake_pressure, compressibility)


@compiled
def forchheimer_flow(pressure_drop: float, linear: float, quadratic: float) -> float:
    """Flow [m^3/s] at which linear * q + quadratic * q^2 equals pressure_drop [Pa]; 0 at none."""
    if pressure_drop <= 0.0:
        return 0.0
    return 2.0 * pressure_drop / (linear + math.sqrt(linear * linear + 4.0 * quadratic * pressure_drop))


@compiled
def vessel_flow(pressure_drop, linear, quadratic, ratio, skid):  # type: ignore[no-untyped-def]
    """Flow of one vessel [m^3/s] and its slope [m^3/(s Pa)]; linear is that of the clean element [Pa s/m^3]."""
    factor = cake_factor(ratio, pressure_drop, skid.cake_pressure, skid.compressibility)
    flow = forchheimer_flow(pressure_drop, linear * factor, quadratic)
    squeeze = linear * (factor - 1.0) * skid.compressibility / max(pressure_drop, 1.0)
    return flow, (1.0 - squeeze * flow) / (linear * factor + 2.0 * quadratic * flow)


@compiled
def pressure_drop_on_curve(lift, curve, drawn, linear, quadratic, ratio, skid, guess):  # type: ignore[no-untyped-def]
    """dP [Pa] where what the pump leaves for the vessels equals what they take.

    lift: head minus back pressure without flow [Pa]; curve: of pump and system [Pa s^2/m^6];
    drawn: flow taken from the inlet header besides [m^3/s]; linear, quadratic, ratio: per open vessel.
    Newton's method; the balance is concave in dP, so it comes down on the root from above.
    """
    drop = guess
    for _ in range(40):
        flow, slope = drawn, 0.0
        for i in range(linear.size):
            q, s = vessel_flow(drop, linear[i], quadratic[i], ratio[i], skid)
            flow, slope = flow + q, slope + s
        step = (lift - curve * flow * flow - drop) / (1.0 + 2.0 * curve * flow * slope)
        drop = max(drop + step, 1.0)
        if abs(step) < 0.01:
            break
    return drop


@compiled
def pressure_drop_at_flow(flow, linear, quadratic, ratio, skid, guess):  # type: ignore[no-untyped-def]
    """dP [Pa] at which vessels in parallel pass `flow` [m^3/s] together."""
    drop = guess
    for _ in range(60):
        total, slope = 0.0, 0.0
        for i in range(linear.size):
            q, s = vessel_flow(drop, linear[i], quadratic[i], ratio[i], skid)
            total, slope = total + q, slope + s
        step = (flow - total) / slope
        drop = max(drop + step, drop / 4.0, 1e-3)
        if abs(step) < 1e-9 * drop + 1e-6:
            break
    return drop


@compiled
def grow(ratio: float, volume: float, coefficient: float, exponent: float) -> float:
    """Blocking ratio after a small volume [m^3] more: dr/dV = coefficient r^exponent, by the midpoint rule."""
    half = ratio + 0.5 * volume * coefficient * math.pow(ratio, exponent)
    return ratio + volume * coefficient * math.pow(half, exponent)


@compiled
def move_actuators(position, goal, speed):  # type: ignore[no-untyped-def]
    """One second of travel towards the goals."""
    for j in range(position.size):
        gap = goal[j] - position[j]
        position[j] += min(max(gap, -speed[j]), speed[j])


@compiled
def trim_speed(trim, setpoint, measured, gain, limit):  # type: ignore[no-untyped-def]
    """Relative speed that an integrating controller asks for after another second."""
    return min(max(trim + gain * (setpoint - measured) / setpoint, 0.2), limit)


@compiled
def settle_vessel(i, vessels, inlet_valve, outlet_valve, inlet, outlet, loss):  # type: ignore[no-untyped-def]
    """Pressure on the unfiltered side after another second. loss: in the inlet valve [Pa]."""
    p = vessels.pressure[i]
    if inlet_valve > 0.0 and outlet_valve > 0.0:
        p = inlet - loss
    elif outlet_valve > 0.0:
        p += 0.7 * (outlet - p)
    elif inlet_valve > 0.0:
        p += 0.7 * (inlet - p)
    elif vessels.filling[i] > 0.0:
        p += vessels.filling[i] * (vessels.goal[i] * inlet - p)
    else:
        p += vessels.rate[i] * (vessels.goal[i] - p) + vessels.drift[i]
    vessels.pressure[i] = p


@compiled
def load_vessel(i, vessels, flow, solids, exponent):  # type: ignore[no-untyped-def]
    """One second of filtration at `flow` [m^3/s]."""
    vessels.volume[i] += flow
    if vessels.loading[i] > 0.0 and flow > 0.0:
        vessels.ratio[i] = min(grow(vessels.ratio[i], flow, vessels.loading[i] * solids, exponent), 500.0)
    if vessels.relaxed[i] > 0.0:
        vessels.relaxed[i] *= math.exp(-flow / vessels.recovery[i])


@compiled
def at_reference(skid, vessels, reference, resistance, row):  # type: ignore[no-untyped-def]
    """Writes the dP at reference flow and temperature: of the vessels on duty, and of each at its share [Pa]."""
    duty = np.flatnonzero(vessels.duty > 0.5)
    effective = 1.0 + (vessels.ratio - 1.0) * (1.0 - vessels.relaxed)
    quadratic = vessels.housing * skid.density_ref + 2.0 * skid.valve
    guess = 1e4
    if duty.size:
        reference[row] = pressure_drop_at_flow(
            skid.flow_ref, vessels.clean[duty], quadratic[duty], effective[duty], skid, guess
        )
    for i in range(effective.size):
        one = slice(i, i + 1)
        resistance[row, i] = pressure_drop_at_flow(
            skid.flow_ref / skid.in_service, vessels.clean[one], quadratic[one], effective[one], skid, guess
        )


@compiled
def operating_point(skid, vessels, actuators, viscosity, density, throttle, wander, drawn):  # type: ignore[no-untyped-def]
    """Speed squared times head balanced with back pressure, system and open vessels.

    Returns dP, forward flow, inlet and outlet pressure; `quadratic` of shut vessels is left out.
    """
    count = vessels.clean.size
    linear, quadratic = np.empty(count), np.empty(count)
    ratio, open_ = np.empty(count), 0
    for i in range(count):
        inlet_valve = actuators.position[FIRST_VALVE + i]
        outlet_valve = actuators.position[FIRST_VALVE + count + i]
        if inlet_valve > 0.0 and outlet_valve > 0.0:
            linear[open_] = vessels.clean[i] * viscosity / skid.viscosity_ref
            quadratic[open_] = vessels.housing[i] * density + skid.valve * (inlet_valve**-2 + outlet_valve**-2)
            ratio[open_] = 1.0 + (vessels.ratio[i] - 1.0) * (1.0 - vessels.relaxed[i])
            open_ += 1
    speed = actuators.position[SPEED] * (1.0 + actuators.memory[OVERSHOOT])
    if skid.control != CONTROL_NONE:
        speed *= actuators.memory[TRIM]
    back = actuators.position[BACK] + wander
    lift = speed * speed * skid.head - back
    if lift <= 0.0:
        if actuators.memory[BOXED_RATE] >= 0.0:
            actuators.memory[BOXED] *= 1.0 - actuators.memory[BOXED_RATE]
            back = actuators.memory[BOXED]
        return 0.0, 0.0, back, back
    system = skid.system_curve * actuators.position[THROTTLE] * throttle
    if open_ == 0:
        return lift, 0.0, lift + back - skid.pump_curve * drawn * drawn, back
    drop = pressure_drop_on_curve(
        lift, skid.pump_curve + system, drawn, linear[:open_], quadratic[:open_], ratio[:open_], skid,
        max(actuators.memory[LAST_DROP], 100.0),
    )
    actuators.memory[LAST_DROP] = drop
    flow = 0.0
    for i in range(open_):
        flow += vessel_flow(drop, linear[i], quadratic[i], ratio[i], skid)[0]
    outlet = back + system * flow * flow
    return drop, flow, outlet + drop, outlet


@compiled
def advance(skid, vessels, actuators, around, record, first):  # type: ignore[no-untyped-def]
    """Runs the skid through `around`, writing to `record`; `first` is the second it begins with."""
    count = vessels.clean.size
    for k in range(around.viscosity.size):
        move_actuators(actuators.position, actuators.goal, actuators.speed)
        drawn = 0.0
        for i in range(count):
            if vessels.filling[i] > 0.0:
                drawn += vessels.fill_flow[i]
        drop, flow, inlet, outlet = operating_point(
            skid, vessels, actuators, around.viscosity[k], around.density[k], around.throttle[k], around.back[k], drawn
        )
        record.inlet[k], record.outlet[k] = inlet, outlet
        record.flow[k], record.forward[k] = (flow + drawn if inlet > outlet else 0.0), flow
        for i in range(count):
            valve = actuators.position[FIRST_VALVE + i]
            exit_ = actuators.position[FIRST_VALVE + count + i]
            q, loss = 0.0, 0.0
            if valve > 0.0 and exit_ > 0.0 and drop > 0.0 and flow > 0.0:
                linear = vessels.clean[i] * around.viscosity[k] / skid.viscosity_ref
                quadratic = vessels.housing[i] * around.density[k] + skid.valve * (valve**-2 + exit_**-2)
                ratio = 1.0 + (vessels.ratio[i] - 1.0) * (1.0 - vessels.relaxed[i])
                q = vessel_flow(drop, linear, quadratic, ratio, skid)[0]
                loss = skid.valve * valve**-2 * q * q
            settle_vessel(i, vessels, valve, exit_, inlet, outlet, loss)
            load_vessel(i, vessels, q, around.solids[k], skid.exponent)
            record.vessel[k, i] = vessels.pressure[i]
        actuators.memory[OVERSHOOT] *= math.exp(-1.0 / skid.overshoot_decay)
        if skid.control != CONTROL_NONE and actuators.position[SPEED] > 0.5:
            measured = flow if skid.control == CONTROL_FLOW else outlet if skid.control == CONTROL_OUTLET else inlet
            actuators.memory[TRIM] = trim_speed(
                actuators.memory[TRIM], actuators.position[SETPOINT], measured, skid.control_gain, skid.speed_limit
            )
        if (first + k) % TRUTH_EVERY == 0:
            row = (first + k) // TRUTH_EVERY - (first + TRUTH_EVERY - 1) // TRUTH_EVERY
            at_reference(skid, vessels, record.reference, record.resistance, row)
