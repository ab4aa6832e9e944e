"""Was the changeout done well? The vessel's resistance after it, against that of a clean element, with its interval.

The levels before, during and after an isolation, and those of the changeouts before it, are fitted together: what one
isolation leaves open (the turbulent part, how cake packs, the zero of dP) the next ones settle, the more so where
their elements were found good and so are known to be alike.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from monitor.engine.look_back import Level
from monitor.engine.posterior import SPREAD, Reading, weigh_ratio
from monitor.hydraulics.network_fit import Common, Element, Fit, Link, Observed, Prior, Stream, fit

FLOW_ERROR = 0.003           # relative, of the flow meter between two loads: linearity, not gain
WANDER = 0.006               # the same of a flow told by the outlet pressure: what is downstream is not quite steady
ASSUMED_ERROR = 0.12         # and of one that was only taken as constant
LIKELY_TURBULENT, TURBULENT_ERROR = 0.8, 0.15   # of a turbulent part that was assumed, which errs upwards; relative
KNOWN_TURBULENT = 0.15       # of one that has been found; relative
PACKING = (0.1, 0.1)         # exponent of cake and its error: 0 to 0.4 for most. Common practice, no source
OLD_ERROR, NEW_ERROR = 0.5, 1.5    # of the logarithm: what is known beforehand of a loaded element, and of a new one
LASTING, LONG_ERROR = 0.75, 0.3     # hours of an isolation in which the rest loads on, and error of that per hour
STANDBY_ERROR = 0.5          # the same of an element that stood by, which is most often a clean one
GROWTH, GROWTH_ERROR, GROWTH_FLOOR = 0.05, 0.2, 0.03   # of the logarithm per hour from one changeout to the next
USUAL_FLOW = Prior(0.95, 0.09)     # of the reference flow, where no meter tells. Common practice, no source
# Part of the outlet pressure that goes with flow, where no stop has shown it: most skids feed pipes, some a tank high
# up or a main under pressure; how many do. Common practice, no source
DRIVEN = ((0.85, Prior(0.55, 0.35)), (0.15, Prior(0.09, 0.6)))
DRIVEN_ERROR = 0.1                 # relative, where one has
UNSTEADY = 400.0                   # Pa that the outlet pressure moves by itself between two levels
FOLLOWS, FOLLOWS_HOUR, FOLLOWS_MOST = 0.03, 0.02, 0.3   # of a flow told by it, against the change before; an hour
WORST_COST = (3.0, 0.75)           # of a fit, and a level more: beyond it, what came before is not what it seemed
VISCOSITY_ERROR = 0.03             # relative, without a thermometer: about 1 K


@dataclass(frozen=True, slots=True)
class Reference:
    """Resistance of a clean element [Pa at its share] and its relative standard error."""

    value: float
    error: float


@dataclass(frozen=True, slots=True)
class Change:
    """One changeout of the vessel in place `slot` of those in service: levels with dP's idle offset taken off. alike:
    its element was found good; helped: a standby stood in; usual: the level before that came in, where it was seen;
    lasting: hours from leaving to coming back."""

    slot: int
    time: int
    before: Level | None
    isolated: Level | None
    after: Level | None
    alike: bool = False
    helped: bool = False
    usual: Level | None = None
    lasting: float = 0.0


@dataclass(frozen=True, slots=True)
class Site:
    """What is known of a skid beforehand. vessels: usually in service; helpers: beside them; zero_error: of dP [Pa];
    flow, temperature: measured; idle_outlet: outlet pressure without flow [Pa], NaN where no stop has shown it."""

    vessels: int
    turbulent: Prior
    clean: Reference
    zero_error: float
    flow: bool = True
    temperature: bool = True
    idle_outlet: float = math.nan
    helpers: int = 0

    @property
    def places(self) -> int:
        return self.vessels + self.helpers


@dataclass(frozen=True, slots=True)
class Finding:
    """What a changeout came to. Resistances [Pa at its share]: of the vessel before and after, of the others by place;
    ratio to the clean reference with its 90 % interval, weighed with how elements usually come out; measured: the ratio
    by the levels alone, error: of its logarithm; clean: reference as it is known now.
    """

    verdict: str
    before: float
    after: float
    others: tuple[float, ...]
    ratio: float
    low: float
    high: float
    error: float
    measured: float = math.nan
    clean: Reference | None = None
    turbulent: float = math.nan
    turbulent_error: float = math.inf


UNKNOWN = Finding("unverified", math.nan, math.nan, (), math.nan, math.nan, math.nan, math.nan)


def verify(changes: Sequence[Change], site: Site, limits: tuple[float, float]) -> Finding:
    """Verdict on the last of `changes`: `unverified` where a level is missing, or the interval spans a limit.

    Those before it are left out where all do not fit together: an element was changed unseen, or torn.
    """
    last = changes[-1]
    if not (usable(last.isolated) or site.places == 1) or not usable(last.after):
        return UNKNOWN
    tries = [_Try(changes, site, downstream) for downstream in _downstream(changes, site)]
    if len(changes) > 1 and min(t.free.cost for t in tries) > _worst(changes):
        return verify(changes[-1:], site, limits)
    ratio = weigh_ratio([t.reading for t in tries])
    free, alike, place = tries[ratio.likeliest].free, tries[ratio.likeliest].alike, tries[ratio.likeliest].place
    after = place.current[last.slot]
    verdict = _verdict(ratio.low, ratio.high, limits)
    best = alike if verdict == "good" else free
    others = tuple(float(best.resistance[k]) for slot, k in enumerate(place.current) if slot != last.slot)
    old = float(best.resistance[place.previous[last.slot]]) if usable(last.before) else math.nan
    return Finding(
        verdict, old, float(best.resistance[after]), others, ratio.middle, ratio.low, ratio.high,
        float(free.ratio_error[after]), math.exp(float(free.ratio[after])), Reference(best.clean, best.clean_error),
        free.turbulent, free.turbulent_error,
    )  # fmt: skip


def misfit(changes: Sequence[Change], site: Site) -> float:
    """How badly all levels fit together: half the sum of squares of their residuals."""
    return min(_solved(changes, site, d)[0].cost for d in _downstream(changes, site))


class _Downstream(NamedTuple):
    """A supposition about where the water goes: how likely, outlet pressure that flow drives [Pa], and how far a flow
    told by it errs."""

    likely: float
    head: Prior
    error: float


def _downstream(changes: Sequence[Change], site: Site) -> list[_Downstream]:
    first = _first_level(changes[0])
    outlet = math.nan if first is None else first.outlet
    if site.flow or not outlet > 0:
        return [_Downstream(1.0, Prior(1.0, 1.0), FLOW_ERROR if site.flow else ASSUMED_ERROR)]
    driven = outlet - site.idle_outlet
    if driven > 0.02 * outlet:
        heads = [(1.0, Prior(driven, DRIVEN_ERROR))]
    else:
        heads = [(likely, Prior(part.value * outlet, part.error)) for likely, part in DRIVEN]
    return [_Downstream(p, head, math.hypot(WANDER, 0.5 * UNSTEADY / head.value)) for p, head in heads]


def _first_level(change: Change) -> Level | None:
    return change.before if usable(change.before) else change.isolated


class _Try:
    """All levels fitted under one supposition: the last element whatever it is, and held to be like a clean one."""

    def __init__(self, changes: Sequence[Change], site: Site, downstream: _Downstream) -> None:
        last = changes[-1]
        self.free, self.place = _solved(changes, site, downstream)
        self.alike, _ = _solved([*changes[:-1], replace(last, alike=True)], site, downstream)
        k = self.place.current[last.slot]
        self.reading = Reading(
            float(self.free.ratio[k]), float(self.free.ratio_error[k]),
            (float(self.alike.ratio[k]), float(self.alike.ratio_error[k])),
            math.sqrt(2 * max(self.alike.cost - self.free.cost, 0.0)),
            math.log(downstream.likely) + self.free.evidence,
        )  # fmt: skip


def _worst(changes: Sequence[Change]) -> float:
    levels = sum(usable(x) for c in changes for x in (c.before, c.isolated, c.after))
    return WORST_COST[0] + WORST_COST[1] * levels


def _solved(changes: Sequence[Change], site: Site, downstream: _Downstream) -> tuple[Fit, _Network]:
    network = _Network(site, downstream)
    for change in changes:
        network.add(change)
    return network.solve(), network


def usable(level: Level | None) -> bool:
    return level is not None and level.state.flow > 0 and level.state.pressure_drop > 0


def _verdict(low: float, high: float, limits: tuple[float, float]) -> str:
    if any(low <= limit <= high for limit in limits):
        return "unverified"
    if high < limits[0]:
        return "resistance-low"
    return "resistance-high" if low > limits[1] else "good"


class _Network:
    """Collects states and unknowns of successive changeouts. current, previous: unknown of each place now, and
    before the last change."""

    def __init__(self, site: Site, downstream: _Downstream) -> None:
        self.site, self.downstream = site, downstream
        self.outlet = math.nan     # Pa, from which rises count
        self.clean = max(site.clean.value - site.turbulent.value, 0.1 * site.clean.value)
        self.observed: list[Observed] = []
        self.elements: list[Element] = []
        self.links: list[Link] = []
        self.streams: list[Stream] = []
        self.current: list[int] = []
        self.previous: list[int] = []
        self.drop = self.clean     # Pa, at which cake counts as it is
        self._time = 0

    def add(self, change: Change) -> None:
        self._carry_on(change)
        self.previous = list(self.current)
        rest = tuple(k for slot, k in enumerate(self.current) if slot != change.slot)
        first = _first_level(change)
        stream = self._stream(first, change.time) if not self.site.flow and first is not None else None
        if change.helped:
            standby = self._stand_by(change.slot)
            usual = tuple(k for k in self.current if k != standby)
            self._observe(change.usual, usual, stream)
        self._observe(change.before, tuple(self.current), stream)
        if change.lasting > LASTING:
            rest = self._loaded_on(rest, change.lasting)
        self._observe(change.isolated, rest, stream)
        likeness = SPREAD if change.alike else None
        self.current = [*rest[: change.slot], -1, *rest[change.slot :]]
        self.current[change.slot] = self._unknown(Element(Prior(self.clean, NEW_ERROR), True, likeness))
        self._observe(change.after, tuple(self.current), stream)
        self._time = change.time

    def _carry_on(self, change: Change) -> None:
        """Unknowns of the places as they are at this change: grown from those at the last one, or not known yet."""
        if not self.current:
            level = change.before if usable(change.before) else change.isolated
            drop = level.state.pressure_drop if level is not None else self.clean
            self.drop = drop
            loaded = Prior(max(drop - self.site.turbulent.value, self.clean), OLD_ERROR)
            self.current = [self._unknown(Element(loaded)) for _ in range(self.site.places)]
            return
        hours = (change.time - self._time) / 3.6e12
        for slot, earlier in enumerate(self.current):
            later = self._unknown(Element(Prior(self.elements[earlier].prior.value, 2.0)))
            self.links.append(Link(earlier, later, GROWTH * hours, GROWTH_FLOOR + GROWTH_ERROR * hours))
            self.current[slot] = later

    def _loaded_on(self, rest: tuple[int, ...], hours: float) -> tuple[int, ...]:
        """Unknowns of those in service at the end of a long isolation, in which they load on: clean ones fastest."""
        later = [self._unknown(Element(Prior(self.elements[k].prior.value, 2.0))) for k in rest]
        self.links += [Link(a, b, GROWTH * hours, LONG_ERROR * hours) for a, b in zip(rest, later, strict=True)]
        return tuple(later)

    def _stand_by(self, slot: int) -> int:
        """The unknown that stands in for the one in `slot`: which place it has does not matter to a change alone."""
        standby = self.current[(slot + 1) % self.site.places]
        self.elements[standby] = Element(Prior(self.clean, STANDBY_ERROR), True)
        return standby

    def _unknown(self, element: Element) -> int:
        self.elements.append(element)
        return len(self.elements) - 1

    def _stream(self, first: Level, time: int) -> int | None:
        """A flow without a meter, told by what it does to the outlet pressure."""
        if not first.outlet > 0:
            return None
        if not self.streams:
            self.outlet = first.outlet
            self.streams.append(Stream(USUAL_FLOW))
        else:
            hours = (time - self._time) / 3.6e12
            follows = min(FOLLOWS + FOLLOWS_HOUR * hours, FOLLOWS_MOST)
            self.streams.append(Stream(Prior(USUAL_FLOW.value, FOLLOWS_MOST), follows))
        return len(self.streams) - 1

    def _observe(self, level: Level | None, elements: tuple[int, ...], stream: int | None) -> None:
        if level is None or not usable(level) or not elements:
            return
        rise, error = (0.0, ASSUMED_ERROR if not self.site.flow else FLOW_ERROR) if stream is None else (
            level.outlet - self.outlet, self.downstream.error)
        if not math.isfinite(rise):
            stream, rise, error = None, 0.0, ASSUMED_ERROR
        self.observed.append(Observed(level.state, elements, math.hypot(error, level.error), stream, rise))

    def solve(self) -> Fit:
        site = self.site
        return fit(self.observed, site.vessels, self.elements, self.links, Common(
            turbulent=site.turbulent, clean=Prior(site.clean.value, site.clean.error), zero=site.zero_error,
            packing=PACKING, drop=self.drop, viscosity=1e-3 if site.temperature else VISCOSITY_ERROR,
            head=self.downstream.head,
        ), self.streams)  # fmt: skip
