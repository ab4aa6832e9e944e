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
    outlet pressure over that at which those flows are told [Pa].
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
    """A flow without a meter, at the outlet pressure from which `Observed.rise` counts: prior of its ratio to the
    reference flow; follows: error of its logarithm against the stream before it, where what lies downstream stayed as
    it was."""

    flow: Prior
    follows: float | None = None


class Common(NamedTuple):
    """Priors of what all states share. turbulent: b q^2 at share 1 [Pa]; clean: resistance of a clean element [Pa at
    its share]; zero: error of dP [Pa]; viscosity: relative error of its ratio; packing: exponent of cake and its
    error; drop: dP at which cake counts as it is [Pa]; head: outlet pressure that flows drive, which goes with their
    square, where rises count from [Pa]; only streams ask for it."""

    turbulent: Prior
    clean: Prior
    zero: float
    packing: tuple[float, float]
    drop: float
    viscosity: float = 1e-3
    head: Prior = Prior(1.0, 1.0)


class Fit(NamedTuple):
    """resistance: of each element [Pa at its share], error: of its logarithm; ratio, ratio_error: logarithm of it over
    the clean one's. cost: half of the sum of squares; evidence: logarithm, up to a constant, of how likely what was
    observed is with these priors (Laplace's approximation)."""

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
    evidence: float


TURBULENT, CLEAN, ZERO, PACKING, VISCOSITY, HEAD, SHARED = 0, 1, 2, 3, 4, 5, 6   # places behind those of the elements


@remembered(REMEMBERED)
def fit(
    observed: Sequence[Observed], vessels: int, elements: Sequence[Element], links: Sequence[Link], common: Common,
    streams: Sequence[Stream] = (),
) -> Fit:  # fmt: skip
    """All unknowns at once, from `observed` states of a skid of `vessels` in service."""
    count = len(elements)
    centre = np.array([
        *(math.log(e.prior.value) for e in elements), math.log(common.turbulent.value), math.log(common.clean.value),
        0.0, common.packing[0], 0.0, math.log(common.head.value),
        *(math.log(s.flow.value) for s in streams),
    ])  # fmt: skip
    weight = 1 / np.array([
        *(e.prior.error for e in elements), common.turbulent.error, common.clean.error, 1.0, common.packing[1],
        common.viscosity, common.head.error, *(s.flow.error for s in streams),
    ])  # fmt: skip
    flows = [(count + SHARED + k, s.follows) for k, s in enumerate(streams) if k > 0 and s.follows is not None]
    problem = _Problem(observed, vessels, elements, [*links, *(Link(k - 1, k, 0.0, e) for k, e in flows)], common,
                       centre, weight)  # fmt: skip
    x, cost, covariance = minimise(problem.residuals, centre, limit=problem.limit())
    sharpness = float(np.log(weight).sum() - sum(math.log(o.error) for o in observed))
    return _told(x, covariance, cost, count, common, sharpness)


def _told(x: Array, covariance: Array, cost: float, count: int, common: Common, sharpness: float) -> Fit:
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
        sharpness + 0.5 * float(np.linalg.slogdet(covariance)[1]) - cost,
    )  # fmt: skip


def _spread(gradient: Array, covariance: Array) -> Array:
    return np.asarray(np.sqrt(np.einsum("ij,jk,ik->i", gradient, covariance, gradient)))


class _Problem:
    """Residuals and their derivatives, one row each: what was known before, states, links, likenesses."""

    def __init__(
        self, observed: Sequence[Observed], vessels: int, elements: Sequence[Element], links: Sequence[Link],
        common: Common, centre: Array, weight: Array,
    ) -> None:  # fmt: skip
        self.common, self.count, self.centre, self.weight = common, len(elements), centre, weight
        self.clean = max(common.clean.value - common.turbulent.value, 0.1 * common.clean.value)
        self.known = np.diag(weight)
        self._arrange_states(observed, vessels, elements)
        self.linked = np.zeros((len(links), centre.size))
        for row, k in zip(self.linked, links, strict=True):
            row[k.later], row[k.earlier] = 1 / k.error, -1 / k.error
        self.grown = np.array([k.growth / k.error for k in links])
        self.alike = np.array([i for i, e in enumerate(elements) if e.likeness is not None], int)
        self.alike_error = np.array([e.likeness for e in elements if e.likeness is not None])

    def _arrange_states(self, observed: Sequence[Observed], vessels: int, elements: Sequence[Element]) -> None:
        """States side by side. A place that is filled up stands for an element of its own, behind all unknowns."""
        most = max((len(o.elements) for o in observed), default=0)
        none = self.centre.size
        filled = [[*o.elements, *[none] * (most - len(o.elements))] for o in observed]
        self.own = np.array(filled, int).reshape(-1, most)
        self.carries = self.own < none
        caked = np.zeros(none + 1, bool)
        caked[: self.count] = [not e.fresh for e in elements]
        self.caked = caked[self.own]
        self.row = np.arange(len(observed))[:, None]
        self.drop, flow, self.viscosity, self.density, self.error, self.rise = (
            np.array(column, float) for column in zip(*(
                (o.state.pressure_drop, o.state.flow if o.stream is None else 1.0, o.state.viscosity, o.state.density,
                 o.error, o.rise) for o in observed), strict=True)
        )  # fmt: skip
        self.flow = np.log(flow * vessels)
        self.streamed = np.array([i for i, o in enumerate(observed) if o.stream is not None], int)
        self.place = np.array([self.count + SHARED + o.stream for o in observed if o.stream is not None], int)

    def limit(self) -> Array:
        """Longest step in each unknown: logarithms are kept short."""
        longest = np.full(self.centre.size, 0.7)
        longest[self.count + ZERO] = math.inf
        return longest

    def residuals(self, x: Array) -> tuple[Array, Array]:
        states, by_states = self._states(x)
        alike, by_alike = self._likenesses(x)
        return (np.concatenate([(x - self.centre) * self.weight, states, self.linked @ x - self.grown, alike]),
                np.concatenate([self.known, by_states, self.linked, by_alike]))  # fmt: skip

    def _likenesses(self, x: Array) -> tuple[Array, Array]:
        laminar, square = np.exp(x[self.alike]), math.exp(x[self.count + TURBULENT])
        whole = laminar + square
        slope = np.zeros((self.alike.size, x.size))
        slope[np.arange(self.alike.size), self.alike] = laminar / whole / self.alike_error
        slope[:, self.count + TURBULENT] = square / whole / self.alike_error
        slope[:, self.count + CLEAN] = -1 / self.alike_error
        return (np.log(whole) - x[self.count + CLEAN]) / self.alike_error, slope

    def _states(self, x: Array) -> tuple[Array, Array]:
        """ln(flow that dP drives through the elements over flow), and its derivatives, both over its error."""
        shared = self.count
        drop = np.maximum(self.drop - x[shared + ZERO] * self.common.zero, FLOOR)
        s, viscosity = x[shared + PACKING], self.viscosity * math.exp(x[shared + VISCOSITY])
        square = math.exp(x[shared + TURBULENT]) * self.density
        each = np.ones(x.size + 1)
        each[:shared] = np.exp(x[:shared])
        plain = each[self.own]
        above = self.caked & (plain > self.clean)
        cake = np.where(above, plain - self.clean, 0.0)
        packed = (drop / self.common.drop) ** s
        laminar = (plain + cake * (packed - 1.0)[:, None]) * viscosity[:, None]
        root = np.sqrt(laminar * laminar + (4 * square * drop)[:, None])
        share = np.where(self.carries, 2 * drop[:, None] / (laminar + root), 0.0)
        over = share / root                              # from a q + b q^2 = dP
        slope = np.zeros((drop.size, x.size + 1))
        slope[self.row, self.own] = -over * viscosity[:, None] * plain * np.where(above, packed[:, None], 1.0)
        slope[:, shared + TURBULENT] = -square * (share * over).sum(axis=1)
        packs = -viscosity * packed * (over * cake).sum(axis=1)
        slope[:, shared + PACKING] = packs * np.log(drop / self.common.drop)
        slope[:, shared + VISCOSITY] = -(over * laminar).sum(axis=1)
        by_drop = np.where(self.carries, 1 / root, 0.0).sum(axis=1) + packs * s / drop
        slope[:, shared + ZERO] = -by_drop * self.common.zero
        total = share.sum(axis=1)
        slope /= total[:, None]
        implied = np.log(total) - self.flow
        if self.streamed.size:
            self._streams(x, implied, slope)
        return implied / self.error, slope[:, :-1] / self.error[:, None]

    def _streams(self, x: Array, implied: Array, slope: Array) -> None:
        """Take off the logarithm of a flow that is told by the outlet pressure it drives, and its derivatives."""
        head = self.count + HEAD
        risen = 1 + self.rise[self.streamed] / math.exp(x[head])
        told = np.maximum(risen, LEAST_HEAD)
        implied[self.streamed] -= x[self.place] + 0.5 * np.log(told)
        slope[self.streamed, self.place] = -1.0
        slope[self.streamed, head] = np.where(risen > LEAST_HEAD, 0.5 * (risen - 1) / told, 0.0)
