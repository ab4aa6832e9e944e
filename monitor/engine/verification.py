"""Was the changeout done well? The vessel's resistance after it, against that of a clean element, with its interval."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from monitor.engine.look_back import Level
from monitor.hydraulics.network import Conditions, one_of, rest_alone

Z90 = 1.6448536269514722     # half width of a 90 % interval of a normal, in standard deviations
TURBULENT_ERROR = 0.25       # relative, of a turbulent part that was assumed
FLOW_ERROR = 0.002           # relative, of the flow meter between two loads: linearity, not gain
VISCOSITY_ERROR = 0.002
SEEN_ALONE_ERROR = 0.12      # relative, of a resistance extrapolated from the whole flow through the rest
DISTINCT = 1.3               # old over rest beyond which the isolated vessel is surely the loaded one


@dataclass(frozen=True, slots=True)
class Reference:
    """Resistance of a clean element [Pa at its share] and its relative standard error."""

    value: float
    error: float


@dataclass(frozen=True, slots=True)
class Finding:
    """What a changeout came to. Resistances in Pa; ratio to the clean reference with its 90 % interval; error of
    ln(resistance after)."""

    verdict: str
    before: float
    after: float
    rest: float
    ratio: float
    low: float
    high: float
    error: float


def verify(
    before: Level | None, isolated: Level | None, after: Level | None, *, vessels: int, turbulent: float,
    clean: Reference, zero_error: float, limits: tuple[float, float], known_rest: Reference | None = None,
) -> Finding:  # fmt: skip
    """Compare the levels before, during and after. zero_error: standard error of dP's zero [Pa]; known_rest: what
    is known of the other vessels' resistance besides this isolation.

    `unverified` where a level is missing, or the interval spans a limit.
    """
    unknown = math.nan
    if isolated is None or after is None or not isolated.state.flow > 0 or not after.state.flow > 0:
        return Finding("unverified", unknown, unknown, unknown, unknown, unknown, unknown, unknown)
    rest = rest_alone(isolated.state, vessels, turbulent)
    new = one_of(after.state, rest, vessels, turbulent)
    error = _log_error(isolated, after, vessels, turbulent, zero_error, new) if new > 0 else math.inf
    old = unknown if before is None else one_of(before.state, rest, vessels, turbulent)
    if known_rest is not None and (math.isnan(old) or old > DISTINCT * rest):
        other, other_error = _with_known_rest(after, rest, known_rest, vessels, turbulent, zero_error)
        if other_error < error:
            new, error = other, other_error
    if not new > 0:
        return Finding("unverified", old, new, rest, unknown, unknown, unknown, unknown)
    spread = math.hypot(clean.error, error)
    ratio = new / clean.value
    low, high = ratio * math.exp(-Z90 * spread), ratio * math.exp(Z90 * spread)
    return Finding(_verdict(ratio, low, high, limits), old, new, rest, ratio, low, high, error)


def _with_known_rest(after: Level, seen: float, known: Reference, vessels: int, turbulent: float,
                     zero_error: float) -> tuple[float, float]:  # fmt: skip
    """Resistance after, and its log error, with the rest as known from elsewhere and as seen alone, weighted."""
    w0, w1 = known.error**-2, SEEN_ALONE_ERROR**-2
    rest = math.exp((w0 * math.log(known.value) + w1 * math.log(seen)) / (w0 + w1))
    rest_error = (w0 + w1) ** -0.5
    new = one_of(after.state, rest, vessels, turbulent)
    if not new > 0:
        return math.nan, math.inf
    shifts = []
    for drop, factor in ((zero_error, 1.0), (after.error * after.state.pressure_drop, 1.0), (0.0, 1 + rest_error)):
        state = after.state._replace(pressure_drop=after.state.pressure_drop + drop)
        moved = one_of(state, rest * factor, vessels, turbulent)
        shifts.append(math.log(moved / new) if moved > 0 else math.inf)
    return new, math.sqrt(sum(x * x for x in shifts))


def _verdict(ratio: float, low: float, high: float, limits: tuple[float, float]) -> str:
    if any(low <= limit <= high for limit in limits):
        return "unverified"
    if ratio < limits[0]:
        return "resistance-low"
    return "resistance-high" if ratio > limits[1] else "good"


def _log_error(isolated: Level, after: Level, vessels: int, turbulent: float, zero_error: float, new: float) -> float:
    """Standard error of ln(resistance after), by moving each uncertain input by its own."""

    def moved(change: Callable[[Conditions], Conditions], during: bool, then: bool, b: float = turbulent) -> float:
        one = change(isolated.state) if during else isolated.state
        two = change(after.state) if then else after.state
        value = one_of(two, rest_alone(one, vessels, b), vessels, b)
        # What leaves the plausible is a wide error, not an infinite one.
        return abs(math.log(max(value, 0.05 * new) / new)) if math.isfinite(value) else math.log(20.0)

    same: Callable[[Conditions], Conditions] = lambda s: s  # noqa: E731
    drop = lambda e: lambda s: s._replace(pressure_drop=s.pressure_drop + e)  # noqa: E731
    flow = lambda e: lambda s: s._replace(flow=s.flow * (1 + e))  # noqa: E731
    thick = lambda e: lambda s: s._replace(viscosity=s.viscosity * (1 + e))  # noqa: E731
    parts = [
        moved(drop(zero_error), True, True),
        moved(drop(isolated.error * isolated.state.pressure_drop), True, False),
        moved(drop(after.error * after.state.pressure_drop), False, True),
        moved(flow(FLOW_ERROR), True, False),
        moved(thick(VISCOSITY_ERROR), True, False),
        moved(same, True, True, turbulent * (1 + TURBULENT_ERROR)),
    ]
    return math.sqrt(sum(p * p for p in parts))
