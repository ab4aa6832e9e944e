"""Resistances of vessels from several steady states at once, with what was known before.

Each state says that the vessels in service together carry the flow at the measured dP. Unknown are the laminar part of
each element, what all vessels share (the turbulent part, how far cake is compressed: its resistance goes with dP to the
power s, Ruth's relation, s 0 to 0.6 for most cakes; common practice, no source), what a clean element shows, and what
the transmitters hide (the zero of dP, viscosity without a thermometer, flow without a meter). Each has a prior. Solved
as least squares (Levenberg and Marquardt) with derivatives in closed form; the covariance there gives the errors.

A vessel's share and resistance are told as in `monitor.hydraulics.network`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.hydraulics.least_squares import minimise
from monitor.hydraulics.network import Conditions
from monitor.remembered import remembered

Array = npt.NDArray[np.float64]
FLOOR = 1e-3             # Pa: below it a dP says nothing
REMEMBERED = 64          # fits kept: of one changeout the places tried, then the verdict
LEAST_HEAD = 0.02        # of what drives the flow downstream: below it a level is no steady flow


class Prior(NamedTuple):
    value: float             # of a positive quantity
    error: float             # of its logarithm


class Observed(NamedTuple):
    """One steady state. elements: which unknowns carry flow; error: relative, of the flow that dP and flow imply.

    stream: which of the flows that are only inferred this state belongs to, None where flow was measured; rise: of the
    outlet pressure since that flow's first state [Pa].
    """

    state: Conditions
    elements: tuple[int, ...]
    error: float
    stream: int | None = None
    rise: float = 0.0


class Element(NamedTuple):
    """An unknown element: prior of its laminar part [Pa at its share]; fresh: without cake, so it is not compressed;
    likeness: of its resistance to a clean one (error of the logarithm), None where it may be anything."""

    prior: Prior
    fresh: bool = False
    likeness: float | None = None


class Link(NamedTuple):
    """Element `later` is element `earlier` some time on: grown by `growth` +- `error` in the logarithm."""

    earlier: int
    later: int
    growth: float
    error: float


class Stream(NamedTuple):
    """A flow without a meter: prior of its ratio to the reference flow, and of the outlet pressure that it drives
    [Pa], which goes with its square."""

    flow: Prior
    head: Prior


class Common(NamedTuple):
    """Priors of what all states share. turbulent: b q^2 at share 1 [Pa]; clean: resistance of a clean element [Pa at
    its share]; zero: error of dP [Pa]; viscosity: relative error of its ratio; packing: exponent of cake and its
    error; drop: dP at which cake counts as it is [Pa]."""

    turbulent: Prior
    clean: Prior
    zero: float
    packing: tuple[float, float]
    drop: float
    viscosity: float = 1e-3


class Fit(NamedTuple):
    """resistance: of each element [Pa at its share], error: of its logarithm; ratio, ratio_error: logarithm of it over
    the clean one's. cost: half of the sum of squares."""

    resistance: Array
    error: Array
    ratio: Array
    ratio_error: Array
    clean: float
    clean_error: float
    turbulent: float
    turbulent_error: float
    zero: float
    packing: float
    cost: float


TURBULENT, CLEAN, ZERO, PACKING, VISCOSITY, SHARED = 0, 1, 2, 3, 4, 5   # places behind those of the elements


@remembered(REMEMBERED)
def fit(
    observed: Sequence[Observed], vessels: int, elements: Sequence[Element], links: Sequence[Link], common: Common,
    streams: Sequence[Stream] = (),
) -> Fit:  # fmt: skip
    """All unknowns at once, from `observed` states of a skid of `vessels` in service."""
    count = len(elements)
    centre = np.array([
        *(math.log(e.prior.value) for e in elements), math.log(common.turbulent.value), math.log(common.clean.value),
        0.0, common.packing[0], 0.0,
        *(math.log(p.value) for s in streams for p in s),
    ])  # fmt: skip
    weight = 1 / np.array([
        *(e.prior.error for e in elements), common.turbulent.error, common.clean.error, 1.0, common.packing[1],
        common.viscosity, *(p.error for s in streams for p in s),
    ])  # fmt: skip
    problem = _Problem(observed, vessels, elements, links, common, centre, weight)
    x, cost, covariance = minimise(problem.residuals, centre, limit=problem.limit())
    return _told(x, covariance, cost, count, common)


def _told(x: Array, covariance: Array, cost: float, count: int, common: Common) -> Fit:
    laminar, square = np.exp(x[:count]), math.exp(x[count + TURBULENT])
    clean = math.exp(x[count + CLEAN])
    resistance = laminar + square
    gradient = np.zeros((count, x.size))       # d ln(a + b) = (a dln a + b dln b) / (a + b)
    gradient[np.arange(count), np.arange(count)] = laminar / resistance
    gradient[:, count + TURBULENT] = square / resistance
    error = _spread(gradient, covariance)
    gradient[:, count + CLEAN] -= 1.0
    deviation = np.sqrt(np.diag(covariance))
    return Fit(
        resistance, error, np.log(resistance / clean), _spread(gradient, covariance), clean,
        float(deviation[count + CLEAN]), square, float(deviation[count + TURBULENT]),
        float(x[count + ZERO] * common.zero), float(x[count + PACKING]), cost,
    )  # fmt: skip


def _spread(gradient: Array, covariance: Array) -> Array:
    return np.asarray(np.sqrt(np.einsum("ij,jk,ik->i", gradient, covariance, gradient)))


class _Problem:
    """Residuals and their derivatives, one row each."""

    def __init__(
        self, observed: Sequence[Observed], vessels: int, elements: Sequence[Element], links: Sequence[Link],
        common: Common, centre: Array, weight: Array,
    ) -> None:  # fmt: skip
        self.observed, self.vessels, self.links, self.common = observed, vessels, links, common
        self.count, self.centre, self.weight = len(elements), centre, weight
        self.caked = np.array([not e.fresh for e in elements])
        self.alike = [(i, e.likeness) for i, e in enumerate(elements) if e.likeness is not None]
        self.clean = max(common.clean.value - common.turbulent.value, 0.1 * common.clean.value)

    def limit(self) -> Array:
        """Longest step in each unknown: logarithms are kept short."""
        longest = np.full(self.centre.size, 0.7)
        longest[self.count + ZERO] = math.inf
        return longest

    def residuals(self, x: Array) -> tuple[Array, Array]:
        rows, slopes = [], []
        for o in self.observed:
            value, slope = self._flow(o, x)
            rows.append(value)
            slopes.append(slope)
        for k in self.links:
            slope = np.zeros(x.size)
            slope[k.later], slope[k.earlier] = 1 / k.error, -1 / k.error
            rows.append((x[k.later] - x[k.earlier] - k.growth) / k.error)
            slopes.append(slope)
        for i, error in self.alike:
            value, slope = self._likeness(i, error, x)
            rows.append(value)
            slopes.append(slope)
        return (np.concatenate([(x - self.centre) * self.weight, rows]),
                np.concatenate([np.diag(self.weight), np.array(slopes).reshape(-1, x.size)]))  # fmt: skip

    def _likeness(self, i: int, error: float, x: Array) -> tuple[float, Array]:
        laminar, square = math.exp(x[i]), math.exp(x[self.count + TURBULENT])
        slope = np.zeros(x.size)
        slope[i] = laminar / (laminar + square) / error
        slope[self.count + TURBULENT] = square / (laminar + square) / error
        slope[self.count + CLEAN] = -1 / error
        return (math.log(laminar + square) - float(x[self.count + CLEAN])) / error, slope

    def _flow(self, o: Observed, x: Array) -> tuple[float, Array]:
        """ln(flow that dP drives through the elements over flow), and its derivatives, both over its error."""
        shared, own = self.count, list(o.elements)
        drop = max(o.state.pressure_drop - x[shared + ZERO] * self.common.zero, FLOOR)
        s, viscosity = x[shared + PACKING], o.state.viscosity * math.exp(x[shared + VISCOSITY])
        square = math.exp(x[shared + TURBULENT]) * o.state.density
        plain = np.exp(x[own])
        above = self.caked[own] & (plain > self.clean)
        cake = np.where(above, plain - self.clean, 0.0)
        packed = (drop / self.common.drop) ** s
        laminar = (plain + cake * (packed - 1.0)) * viscosity
        root = np.sqrt(laminar * laminar + 4 * square * drop)
        share = 2 * drop / (laminar + root)
        by_laminar = -share / root                       # from a q + b q^2 = dP
        slope = np.zeros(x.size)
        slope[own] = by_laminar * viscosity * plain * np.where(above, packed, 1.0)
        slope[shared + TURBULENT] = -(square * share * share / root).sum()
        packs = by_laminar * viscosity * cake * packed
        slope[shared + PACKING] = (packs * math.log(drop / self.common.drop)).sum()
        slope[shared + VISCOSITY] = (by_laminar * laminar).sum()
        by_drop = (1 / root + packs * s / drop).sum()
        slope[shared + ZERO] = -by_drop * self.common.zero
        total = float(share.sum())
        slope /= total
        flow = self._stream(o, x, slope) if o.stream is not None else math.log(o.state.flow)
        return (math.log(total / self.vessels) - flow) / o.error, slope / o.error

    def _stream(self, o: Observed, x: Array, slope: Array) -> float:
        """Logarithm of a flow that is told by the outlet pressure it drives; its derivatives are taken off `slope`."""
        assert o.stream is not None
        place = self.count + SHARED + 2 * o.stream
        risen = 1 + o.rise / math.exp(x[place + 1])
        slope[place] = -1.0
        if risen > LEAST_HEAD:
            slope[place + 1] = 0.5 * (risen - 1) / risen
        return float(x[place]) + 0.5 * math.log(max(risen, LEAST_HEAD))
