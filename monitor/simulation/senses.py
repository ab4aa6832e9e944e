"""What each sensor meets: the plant's values with the turbulence, murk and damp that the plant's model leaves out."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from monitor.model import Role
from monitor.simulation.plant import Record
from monitor.simulation.site import BAR, Site

Array = npt.NDArray[np.float64]
Span = tuple[float, float]


@dataclass(slots=True)
class Signs:
    """What shows besides pressures and flow, as spans in seconds."""

    murk: list[tuple[float, float, float]] = field(default_factory=list)  # from, to, times the usual turbidity
    wet: list[tuple[int, float, float]] = field(default_factory=list)     # vessel, from, to: its leak sensor
    stops: list[Span] = field(default_factory=list)                       # of the pump


def true_values(
    site: Site, record: Record, temperature: Array, signs: Signs, rng: np.random.Generator
) -> dict[str, Array]:
    """Signal id -> what its sensor meets, in SI units, one a second."""
    seconds = record.inlet.size
    size = rng.uniform(0.001, 0.004) * BAR * np.sqrt(np.maximum(record.forward, 0) / site.flow_ref)
    ripple = size * wandering(rng, seconds, 1.0, rng.uniform(1.5, 6))

    def vessel(i: int) -> Array:
        return record.vessel[:, i] + np.where(record.vessel[:, i] > 0.3 * record.outlet, ripple, 0.0)

    meets: dict[Role, Callable[[int], Array]] = {
        Role.INLET_PRESSURE: lambda _: record.inlet + ripple,
        Role.OUTLET_PRESSURE: lambda _: record.outlet + 0.8 * ripple,
        Role.DIFFERENTIAL_PRESSURE: lambda _: record.inlet - record.outlet + 0.3 * ripple,
        Role.FLOW: lambda _: record.flow if site.meter_upstream else record.forward,
        Role.TEMPERATURE: lambda _: temperature,
        Role.TURBIDITY: lambda _: _turbidity(seconds, signs, rng),
        Role.VESSEL_PRESSURE: vessel,
        Role.LEAK_SENSOR: lambda i: _during(seconds, [(a, b) for v, a, b in signs.wet if v == i]),
        Role.PUMP_RUNNING: lambda _: 1.0 - _during(seconds, signs.stops),
    }
    return {t.id: meets[t.role](site.vessels.index(t.vessel) if t.vessel else 0) for t in site.transmitters}


def _turbidity(seconds: int, signs: Signs, rng: np.random.Generator) -> Array:
    """NTU at the outlet: wanders, and rises within minutes where solids get through."""
    clear = rng.uniform(0.3, 1.2) * np.exp(wandering(rng, seconds, 0.12, 1800))
    for begin, end, factor in signs.murk:
        part = slice(round(begin), round(end))
        clear[part] *= 1 + (factor - 1) * -np.expm1(-np.arange(clear[part].size) / 60.0)
    return clear


def _during(seconds: int, spans: list[Span]) -> Array:
    """1 inside the spans, else 0."""
    on = np.zeros(seconds)
    for begin, end in spans:
        on[max(round(begin), 0) : max(round(end), 0)] = 1.0
    return on


def wandering(rng: np.random.Generator, size: int, spread: float, constant: float) -> Array:
    """A first-order autoregressive wander with standard deviation `spread` and time constant [s]."""
    from scipy.signal import lfilter

    a = math.exp(-1.0 / constant)
    white = rng.standard_normal(size) * math.sqrt(1 - a * a)
    start = float(rng.standard_normal())
    return np.asarray(spread * lfilter([1.0], [1.0, -a], white, zi=[a * start])[0])
