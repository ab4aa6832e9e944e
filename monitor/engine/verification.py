"""Was the changeout done well? The vessel's resistance after it, against that of a clean element, with its interval.

The levels before, during and after an isolation, and those of the changeouts before it, are fitted together: what one
isolation leaves open, the turbulent part and the zero of dP above all, the next one settles.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.engine.look_back import Level
from monitor.hydraulics.network_fit import Fit, Link, Observed, Prior, fit

Z90 = 1.6448536269514722     # half width of a 90 % interval of a normal, in standard deviations
FLOW_ERROR = 0.003           # relative, of the flow meter between two loads: linearity, not gain
INFERRED_ERROR = 0.04        # the same where flow was inferred from the outlet pressure over that without flow
ASSUMED_ERROR = 0.12         # and where it was only taken as constant
LIKELY_TURBULENT, TURBULENT_ERROR = 0.8, 0.25   # of a turbulent part that was assumed, which errs upwards; relative
OLD_ERROR, NEW_ERROR = 0.5, 1.0    # of the logarithm: what is known beforehand of a loaded element, and of a new one
GROWTH, GROWTH_ERROR, GROWTH_FLOOR = 0.05, 0.2, 0.03   # of the logarithm per hour from one changeout to the next


@dataclass(frozen=True, slots=True)
class Reference:
    """Resistance of a clean element [Pa at its share] and its relative standard error."""

    value: float
    error: float


@dataclass(frozen=True, slots=True)
class Change:
    """One changeout of the vessel in place `slot` of those in service: levels with dP's idle offset taken off."""

    slot: int
    time: int
    before: Level | None
    isolated: Level | None
    after: Level | None


@dataclass(frozen=True, slots=True)
class Finding:
    """What a changeout came to. Resistances [Pa at its share]: of the vessel before and after, of the others by place;
    ratio to the clean reference with its 90 % interval; error of ln(resistance after)."""

    verdict: str
    before: float
    after: float
    others: tuple[float, ...]
    ratio: float
    low: float
    high: float
    error: float
    turbulent: float = math.nan
    turbulent_error: float = math.inf


UNKNOWN = Finding("unverified", math.nan, math.nan, (), math.nan, math.nan, math.nan, math.nan)


def verify(
    changes: Sequence[Change], *, vessels: int, turbulent: Prior, clean: Reference, zero_error: float,
    flow_error: float,
    limits: tuple[float, float],
) -> Finding:  # fmt: skip
    """Verdict on the last of `changes`. turbulent: b q^2 at share 1 [Pa] as known before; zero_error: of dP [Pa];
    flow_error: relative, between two loads.

    `unverified` where a level is missing, or the interval spans a limit.
    """
    last = changes[-1]
    if not (_usable(last.isolated) and _usable(last.after)):
        return UNKNOWN
    network = _Network(vessels, turbulent, clean, flow_error)
    for change in changes:
        network.add(change)
    fitted = network.solve(zero_error)
    after, before = network.current[last.slot], network.previous[last.slot]
    resistance, error = float(fitted.resistance[after]), float(fitted.error[after])
    spread = math.hypot(clean.error, error, flow_error if flow_error > INFERRED_ERROR / 2 else 0.0)
    ratio = resistance / clean.value
    low, high = ratio * math.exp(-Z90 * spread), ratio * math.exp(Z90 * spread)
    others = tuple(float(fitted.resistance[k]) for slot, k in enumerate(network.current) if slot != last.slot)
    old = float(fitted.resistance[before]) if _usable(last.before) else math.nan
    return Finding(_verdict(ratio, low, high, limits), old, resistance, others, ratio, low, high, error,
                   fitted.turbulent, fitted.turbulent_error)  # fmt: skip


def _usable(level: Level | None) -> bool:
    return level is not None and level.state.flow > 0 and level.state.pressure_drop > 0


def _verdict(ratio: float, low: float, high: float, limits: tuple[float, float]) -> str:
    if any(low <= limit <= high for limit in limits):
        return "unverified"
    if ratio < limits[0]:
        return "resistance-low"
    return "resistance-high" if ratio > limits[1] else "good"


class _Network:
    """Collects states and unknowns of successive changeouts. current, previous: unknown of each place now, and
    before the last change."""

    def __init__(self, vessels: int, turbulent: Prior, clean: Reference, flow_error: float) -> None:
        self.vessels, self.flow_error = vessels, flow_error
        self.turbulent = turbulent
        self.clean = max(clean.value - turbulent.value, 0.1 * clean.value)
        self.observed: list[Observed] = []
        self.priors: list[Prior] = []
        self.links: list[Link] = []
        self.current: list[int] = []
        self.previous: list[int] = []
        self.drop = self.clean     # Pa, at which cake counts as it is
        self._time = 0

    def add(self, change: Change) -> None:
        self._carry_on(change)
        self.previous = list(self.current)
        rest = tuple(k for slot, k in enumerate(self.current) if slot != change.slot)
        self._observe(change.before, tuple(self.current))
        self._observe(change.isolated, rest)
        self.current[change.slot] = self._unknown(Prior(self.clean, NEW_ERROR))
        self._observe(change.after, tuple(self.current))
        self._time = change.time

    def _carry_on(self, change: Change) -> None:
        """Unknowns of the places as they are at this change: grown from those at the last one, or not known yet."""
        if not self.current:
            level = change.before if _usable(change.before) else change.isolated
            drop = level.state.pressure_drop if level is not None else self.clean
            self.drop = drop
            loaded = Prior(max(drop - self.turbulent.value, self.clean), OLD_ERROR)
            self.current = [self._unknown(loaded) for _ in range(self.vessels)]
            return
        hours = (change.time - self._time) / 3.6e12
        for slot, earlier in enumerate(self.current):
            later = self._unknown(Prior(self.priors[earlier].value, 2.0))
            self.links.append(Link(earlier, later, GROWTH * hours, GROWTH_FLOOR + GROWTH_ERROR * hours))
            self.current[slot] = later

    def _unknown(self, prior: Prior) -> int:
        self.priors.append(prior)
        return len(self.priors) - 1

    def _observe(self, level: Level | None, elements: tuple[int, ...]) -> None:
        if level is not None and _usable(level) and elements:
            self.observed.append(Observed(level.state, elements, math.hypot(self.flow_error, level.error)))

    def solve(self, zero_error: float) -> Fit:
        return fit(self.observed, self.vessels, self.priors, self.links,
                   turbulent=self.turbulent, zero_error=zero_error, clean=self.clean,
                   reference_drop=self.drop)  # fmt: skip
