"""Invented sites: a skid, its elements, its pump and its transmitters, drawn at random from what is common.

Ranges are common practice (no source): one or two bag sizes a vessel, clean dP of 0.08-0.25 bar of which about
36 % goes with the square of flow, changeout at 0.7-1.2 bar, elements rated for 2-3 bar.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from monitor.hydraulics.water import density, viscosity
from monitor.model import Role
from monitor.simulation.instruments import UNITS, Transmitter
from monitor.simulation.operator import Element
from monitor.simulation.plant import (
    CONTROL_FLOW,
    CONTROL_INLET,
    CONTROL_NONE,
    CONTROL_OUTLET,
    Skid,
    cake_factor,
)

PLACES = (
    "River intake", "Lake intake", "Pond return", "Canal water", "Rinse water", "Wash loop", "Dye house feed",
    "Pulper white water", "Well field 2", "Cooling make-up", "Raceway supply", "Quarry drainage", "Brine polish",
    "Bottle washer", "Hatchery header tank", "Tannery rinse", "Greenhouse feed", "Ballast treatment",
)  # fmt: skip
INSTRUMENTS = ("HFT", "HFT", "HFTV", "HFTV", "HF", "HV", "H", "HDFT", "DFT", "HFTVU", "HFTP", "HFTVL")
BAR = 1e5


@dataclass(frozen=True, slots=True)
class Wishes:
    """What a scenario needs of its site; None leaves it to chance.

    instruments: letters H header pair, D differential pressure, F flow, T temperature, V vessel pressures,
    U turbidity, L leak sensors, P pump contact.
    """

    instruments: str | None = None
    vessels: int | None = None
    standby: int = 0
    control: int | None = None
    units: str | None = None
    exponent: float | None = None
    interval: float | None = None
    headroom: float = 1.15         # of the pressure transmitters' spans over the pump's shut-off head


@dataclass(frozen=True, slots=True)
class Site:
    """One invented skid. Pressures Pa, flow m^3/s, temperature K."""

    id: str
    name: str
    vessels: tuple[str, ...]
    in_service: int
    rating_um: int
    area: float
    changeout_dp: float
    max_dp: float
    clean_dp: float               # mean of this part, whole skid at reference
    sheet_dp: float               # what its data sheet says
    flow_ref: float
    temperature_ref: float
    element: Element              # the mean one
    skid: Skid
    back: float                   # Pa
    setpoint: float
    meter_upstream: bool
    transmitters: tuple[Transmitter, ...]
    instruments: str
    pressure_unit: str
    flow_unit: str
    temperature_unit: str
    interval: float               # s, of the pressures
    prefix: str

    def ids(self, role: Role) -> list[str]:
        return [t.id for t in self.transmitters if t.role is role]

    def has(self, letter: str) -> bool:
        return letter in self.instruments


def draw_site(rng: np.random.Generator, wishes: Wishes) -> Site:
    """An invented site that meets the wishes."""
    count = wishes.vessels or int(rng.choice([2, 2, 2, 2, 2, 2, 3, 4, 5, 6]))
    in_service = count - wishes.standby
    flow_ref = round(in_service * rng.uniform(9, 34)) / 3600
    temperature_ref = 273.15 + float(rng.choice([10, 15, 20, 25]))
    clean, changeout = rng.uniform(0.09, 0.24) * BAR, round(rng.uniform(0.7, 1.2), 2) * BAR
    skid = _draw_skid(rng, wishes, flow_ref, temperature_ref, in_service, clean, changeout)
    element = _mean_element(skid, clean, rng.uniform(0.3, 0.42))
    skid, back, setpoint = _draw_pump(rng, skid, 0.5 * (clean + changeout))
    tags = wishes.instruments or str(rng.choice(INSTRUMENTS))
    number = int(rng.integers(1, 100))
    site = Site(
        id=f"skid-{number}",
        name=f"{rng.choice(PLACES)}, {count} vessels",
        vessels=_vessel_names(rng, count),
        in_service=in_service,
        rating_um=int(rng.choice([1, 5, 10, 25, 50, 100, 200])),
        area=round(float(rng.uniform(0.4, 0.85)), 3),
        changeout_dp=changeout,
        max_dp=round(rng.uniform(2.1, 2.9), 1) * BAR,
        clean_dp=clean,
        sheet_dp=round(clean / BAR * rng.uniform(0.955, 1.045), 3) * BAR,
        flow_ref=flow_ref,
        temperature_ref=temperature_ref,
        element=element,
        skid=skid,
        back=back,
        setpoint=setpoint,
        meter_upstream=bool(rng.random() < 0.7),
        transmitters=(),
        instruments=tags,
        pressure_unit="bar",
        flow_unit="m^3/h",
        temperature_unit="degC",
        interval=wishes.interval or float(rng.choice([1, 1, 2, 2, 2, 3, 5])),
        prefix=f"skid-{number}",
    )
    site = _with_units(rng, site, wishes.units)
    site = with_life(site, hours=float(rng.uniform(12, 60)))
    return replace(site, transmitters=tuple(_transmitters(rng, site, wishes.headroom)))


def with_life(site: Site, hours: float) -> Site:
    """The site with solids that load an element to the changeout point in about so many hours of flow."""
    due = ratio_for(site.skid, site.element, site.changeout_dp)
    life = hours * 3600 * 0.92 * site.flow_ref / site.in_service
    loading = blocking_integral(due, site.skid.exponent) / life
    return replace(site, element=replace(site.element, loading=loading))


def blocking_integral(ratio: float, exponent: float) -> float:
    """k V needed to grow from a clean element to `ratio`: the integral of r^-m (Hermia's laws)."""
    if exponent == 1.0:
        return math.log(ratio)
    return float((ratio ** (1.0 - exponent) - 1.0) / (1.0 - exponent))


def ratio_for(skid: Skid, element: Element, resistance: float) -> float:
    """Blocking ratio at which a vessel shows `resistance` [Pa] at its share of the reference flow; at least 1."""
    share = skid.flow_ref / skid.in_service
    square = (element.housing * skid.density_ref + 2 * skid.valve) * share**2
    factor = (resistance - square) / (element.clean * share)
    per_ratio = float(cake_factor(2.0, resistance, skid.cake_pressure, skid.compressibility)) - 1.0
    return max(1.0, 1.0 + (factor - 1.0) / per_ratio)


def _draw_skid(
    rng: np.random.Generator, wishes: Wishes, flow: float, temperature: float, in_service: int, clean: float, due: float
) -> Skid:
    exponent = wishes.exponent if wishes.exponent is not None else float(rng.choice([0.0, 1.0, 1.0, 1.5, 2.0]))
    control = wishes.control
    if control is None:
        control = int(rng.choice([CONTROL_NONE] * 6 + [CONTROL_FLOW, CONTROL_FLOW, CONTROL_OUTLET, CONTROL_INLET]))
    return Skid(
        head=0.0, pump_curve=0.0, system_curve=0.0, valve=0.008 * clean / (flow / in_service) ** 2, exponent=exponent,
        compressibility=float(rng.choice([0.0, rng.uniform(0.0, 0.2), rng.uniform(0.1, 0.4)])),
        cake_pressure=0.7 * due, viscosity_ref=float(viscosity(temperature)), density_ref=float(density(temperature)),
        flow_ref=flow, in_service=in_service, control=control, control_gain=float(rng.uniform(0.05, 0.25)),
        speed_limit=float(rng.uniform(1.02, 1.2)), overshoot_decay=float(rng.uniform(8, 35)),
    )  # fmt: skip


def _mean_element(skid: Skid, clean_dp: float, square: float) -> Element:
    """The element whose vessel shows clean_dp [Pa] at its share, `square` of it with the square of flow."""
    share = skid.flow_ref / skid.in_service
    valves = 2 * skid.valve * share**2
    housing = (square * clean_dp - valves) / share**2 / skid.density_ref
    return Element(clean=(1 - square) * clean_dp / share, housing=housing, loading=0.0)


def _draw_pump(rng: np.random.Generator, skid: Skid, middle: float) -> tuple[Skid, float, float]:
    """Pump and system that pass about the reference flow with half-loaded elements; back pressure; set-point."""
    flow = skid.flow_ref * rng.uniform(0.9, 1.02)
    outlet = rng.uniform(1.5, 4.2) * BAR
    back = outlet * rng.choice([rng.uniform(0.15, 0.7), rng.uniform(0.85, 0.97)], p=[0.85, 0.15])
    droop = rng.uniform(0.25, 1.1) * BAR
    spare = 1.0 if skid.control == CONTROL_NONE else rng.uniform(1.1, 1.35)
    drawn = skid._replace(
        head=(outlet + middle + droop) * spare, pump_curve=droop / flow**2, system_curve=(outlet - back) / flow**2
    )
    setpoint = {CONTROL_FLOW: flow, CONTROL_OUTLET: outlet, CONTROL_INLET: outlet + middle}.get(skid.control, 0.0)
    return drawn, float(back), float(setpoint)


def _vessel_names(rng: np.random.Generator, count: int) -> tuple[str, ...]:
    styles = [
        [f"BF-{201 + i}" for i in range(count)], [f"V{1 + i}" for i in range(count)], list("ABCDEF"[:count]),
        [f"F-{11 + i}" for i in range(count)],
    ]  # fmt: skip
    if count == 2:
        styles += [["north", "south"], ["left", "right"], ["east", "west"]]
    return tuple(styles[int(rng.integers(len(styles)))])


def _with_units(rng: np.random.Generator, site: Site, units: str | None) -> Site:
    choice = units or "bar"
    if choice == "other":
        choice = str(rng.choice(["psi", "psi", "kPa"]))
    if choice == "psi":
        return replace(site, pressure_unit="psi", flow_unit="US gpm", temperature_unit="degF")
    if choice == "kPa":
        return replace(site, pressure_unit="kPa", flow_unit=str(rng.choice(["m^3/h", "L/min"])))
    return site


_TAGS = ("plain", "isa", "path")


def _transmitters(rng: np.random.Generator, site: Site, headroom: float) -> list[Transmitter]:
    style, loop = str(rng.choice(_TAGS)), int(rng.integers(1, 9))
    top = site.skid.head * (1.0 if site.skid.control == CONTROL_NONE else site.skid.speed_limit**2)
    span = next(s for s in (4, 6, 7, 10, 16, 25, 40) if s * BAR > headroom * top)
    bits = int(rng.choice([12, 12, 12, 13, 14, 16]))
    noise = rng.uniform(3e-4, 9e-4)
    pressure = Transmitter("", Role.INLET_PRESSURE, site.pressure_unit, 0.0, _in_unit(span * BAR, site.pressure_unit))

    def like(base: Transmitter, name: str, role: Role, vessel: str | None = None) -> Transmitter:
        own = base.span
        return replace(
            base, id=name, role=role, vessel=vessel, gain=1 + 0.0008 * rng.standard_normal(),
            zero=own * 0.0006 * rng.standard_normal(), noise=own * noise * rng.uniform(0.6, 1.4),
            lag=float(rng.uniform(0.0, 1.5)), resolution=own / (2**bits - 1),
            decimals=2 if site.pressure_unit == "kPa" else 4,
        )  # fmt: skip

    found = []
    if site.has("H"):
        found.append(like(pressure, _tag(style, loop, "PT", 1, "p_in", "inlet/p"), Role.INLET_PRESSURE))
        found.append(like(pressure, _tag(style, loop, "PT", 2, "p_out", "outlet/p"), Role.OUTLET_PRESSURE))
    if site.has("D"):
        differential = replace(pressure, high=_in_unit(float(rng.choice([2.5, 4.0])) * BAR, site.pressure_unit))
        name = _tag(style, loop, "PDT", 1, "dp", "dp")
        found.append(like(differential, name, Role.DIFFERENTIAL_PRESSURE))
    if site.has("F"):
        found.append(_flow_meter(rng, site, _tag(style, loop, "FT", 1, "flow", "flow"), bits))
    if site.has("T"):
        found.append(_thermometer(rng, site, _tag(style, loop, "TT", 1, "temp", "temp"), bits))
    for i, vessel in enumerate(site.vessels):
        if site.has("V"):
            name = {"plain": f"p_v{i + 1}", "isa": f"PT-{loop}1{i + 1}", "path": f"vessel{i + 1}/p"}[style]
            found.append(like(pressure, name, Role.VESSEL_PRESSURE, vessel))
        if site.has("L"):
            found.append(Transmitter(f"leak_{i + 1}", Role.LEAK_SENSOR, "1", 0.0, 1.0, vessel=vessel))
    if site.has("U"):
        found.append(
            Transmitter(_tag(style, loop, "AT", 1, "ntu", "turbidity"), Role.TURBIDITY, "NTU", 0.0, 40.0, noise=0.04,
                        zero=0.02, lag=20.0, resolution=40 / (2**bits - 1))
        )  # fmt: skip
    if site.has("P"):
        found.append(Transmitter(_tag(style, loop, "XS", 1, "pump", "pump/run"), Role.PUMP_RUNNING, "1", 0.0, 1.0))
    return found


def _tag(style: str, loop: int, letters: str, number: int, plain: str, path: str) -> str:
    return {"plain": plain, "isa": f"{letters}-{loop}0{number}", "path": f"hdr/{path}"}[style]


def _in_unit(value: float, unit: str) -> float:
    """An upper end of range near an SI value as a maker would print it."""
    plain = value / UNITS[unit][0]
    return float(round(plain)) if unit == "kPa" else round(plain, 4)


def _flow_meter(rng: np.random.Generator, site: Site, name: str, bits: int) -> Transmitter:
    per_hour = site.flow_ref * 3600 * rng.uniform(1.45, 1.7)
    nice = next(n for n in (15, 20, 25, 30, 40, 50, 60, 70, 80, 100, 120, 150, 180, 200, 250, 300, 400) if n > per_hour)
    high = round(nice / 3600 / UNITS[site.flow_unit][0], 4)
    return Transmitter(
        name, Role.FLOW, site.flow_unit, 0.0, high, gain=1 + 0.004 * rng.standard_normal(),
        noise=high * rng.uniform(2e-3, 4.5e-3), lag=float(rng.uniform(0.5, 3.0)), resolution=high / (2**bits - 1),
        cutoff=high * rng.uniform(0.01, 0.025),
    )  # fmt: skip


def _thermometer(rng: np.random.Generator, site: Site, name: str, bits: int) -> Transmitter:
    low, high = (32.0, 122.0) if site.temperature_unit == "degF" else (0.0, 50.0)
    coarse = 0.18 if site.temperature_unit == "degF" else 0.1
    fine = (high - low) / (2**bits - 1)
    return Transmitter(
        name, Role.TEMPERATURE, site.temperature_unit, low, high, zero=0.15 * rng.standard_normal(),
        noise=(high - low) * rng.uniform(4e-4, 1.2e-3), lag=float(rng.uniform(5, 40)),
        resolution=coarse if rng.random() < 0.4 else fine,
    )  # fmt: skip
