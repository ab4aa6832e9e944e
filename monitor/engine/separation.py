"""Laminar and turbulent part of dP told apart, and how far cake is compressed, where flow has swung.

dP = (c + k (dP/D)^s) (mu/mu_ref) q + b (rho/rho_ref) q^2: the clean element c, cake k that grows with what has passed
and is compressed by dP, housing and nozzles b. Every ten minutes of service give a point; over a stretch without a
changeout ln k is a parabola in the volume, b and s are unknown. Regressed by Gauss-Newton steps with errors that allow
for autocorrelation (Newey and West 1987), joined with what is known beforehand.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.engine.codes import BLOCK_FIELDS, BLOCKS
from monitor.engine.learned import note_packing, note_turbulent
from monitor.engine.story import ASSUMED, NORMAL
from monitor.model import Role

if TYPE_CHECKING:
    from monitor.engine.event_tier import Teller

Array = npt.NDArray[np.float64]
COLUMNS = [BLOCK_FIELDS.index(name) for name in ("pressure_drop", "flow", "viscosity", "density")]
LATEST = 6               # blocks of a point
STEADY = 0.04            # of flow within them
KEPT, FEWEST, EVERY, LOOKS = 96, 24, 12, 4  # points
SWUNG = 0.22             # of ln(flow), between the tenth and the ninetieth of a hundred points
LIKELY, SPREAD = 0.8, 0.35          # of an assumed turbulent part, which errs upwards; of its logarithm
PACKING, PACKING_SPREAD = 0.1, 0.2  # of the exponent s beforehand: 0 to 0.6 for most cakes. Common practice, no source
ROUNDS, LAGS = 5, 6
SURE = 0.06              # standard error of s below which it is used
STRAYED = 2.5            # errors of ln(b) as known beforehand: what goes further has lost its way
CROSSED = 3              # times that flow passed the middle of its swing
WORSE = 1.5              # times the error of the surest exponent so far, above which another is not used
TOLD = 0.25              # error of ln(b) below which b is used
FITS = 0.04              # scatter of ln k about the parabola: more, and something else happened
HIGHEST_PACKING, LARGEST = 0.6, 0.9


class Parts(NamedTuple):
    """turbulent: b [Pa] at reference flow with the error of its logarithm; packing: s with its standard error;
    scatter: of ln k about its trend."""

    turbulent: float
    turbulent_error: float
    packing: float
    packing_error: float
    scatter: float


def follow_swings(teller: Teller, time: int) -> None:
    """Take a point; where flow has swung enough, tell the parts of dP apart and let the row tier use them."""
    story, swings = teller.story, teller.story.swings
    # Water that warms unseen does to dP what cake does that packs.
    measured = teller.skid.with_role(Role.FLOW) and teller.skid.with_role(Role.TEMPERATURE)
    if not measured or story.phase != NORMAL or not teller.state["judged"]:
        return
    since = story.changes[-1].time if story.changes else 0
    if swings.since != since or story.breach.standing is not None:
        swings.points, swings.since, swings.fresh = [], since, 0
    point = latest(teller)
    if point is None:
        return
    swings.points = [*swings.points[-(KEPT - 1) :], point]
    swings.fresh += 1
    if swings.fresh < EVERY or swings.fresh % LOOKS or len(swings.points) < FEWEST:
        return
    flows = [point[2] for point in swings.points]
    wide, crossed = swung(flows)
    if wide < SWUNG or crossed < CROSSED:
        return
    swings.fresh = 0
    parts = separate(np.array(swings.points), story.clean[0], *beforehand(teller))
    if parts is not None:
        _use(teller, parts._replace(packing_error=math.hypot(parts.packing_error, parts.scatter / wide)), time)


def swung(flows: list[float]) -> tuple[float, int]:
    """How far flow has swung, from its tenth to its ninetieth of a hundred points in the logarithm, and how often it
    has crossed their middle. A flow that went down and up once tells its doing badly from what time did."""
    ordered, tenth = sorted(flows), len(flows) // 10
    low, high = math.log(ordered[tenth]), math.log(ordered[-1 - tenth])
    above = [2 * math.log(flow) > low + high for flow in flows]
    return high - low, sum(a != b for a, b in pairwise(above))


def latest(teller: Teller) -> tuple[float, float, float, float, float] | None:
    """The last minute, None where it was not steady or is not known."""
    history = teller.history
    used = int(history["used"])
    if used < LATEST:
        return None
    rows = np.asarray(history["means"])[np.arange(used - LATEST, used) % BLOCKS][:, COLUMNS].astype(float)
    mean = rows.mean(axis=0)
    if not np.isfinite(mean).all() or np.ptp(rows[:, 1]) > STEADY * mean[1]:
        return None
    drop = float(mean[0]) - teller.offset()
    if not drop > 0:
        return None
    return float(teller.state["volume"]), drop, float(mean[1]), float(mean[2]), float(mean[3])


def beforehand(teller: Teller) -> tuple[float, float]:
    """Turbulent part [Pa] and the error of its logarithm before flow says anything."""
    known = teller.story.turbulent_error
    if known < ASSUMED and not teller.state["packing"]:
        return teller.turbulent, max(known, 0.1)
    return LIKELY * teller.assumed, SPREAD


def separate(points: Array, clean: float, turbulent: float, spread: float) -> Parts | None:
    """points: (n, 5) volume, dP [Pa], ratios of flow, viscosity and density; clean: normalised dP of the clean skid
    [Pa]; turbulent, spread: b [Pa] as known beforehand and the error of its logarithm. None where cake is little or
    what they tell of b cannot be."""
    volume, drop, flow, thick, dense = points.T
    x = np.log(drop / np.median(drop))
    v = (volume - volume.mean()) / max(float(np.ptp(volume)), 1e-9)
    trend = np.stack([np.ones_like(v), v, v * v], axis=1)
    prior = np.diag([PACKING_SPREAD**-2, spread**-2])
    log_b, b = math.log(turbulent), turbulent
    mean, covariance, scatter = np.zeros(2), np.eye(2), math.inf
    for _ in range(ROUNDS):
        cake = (drop - b * dense * flow * flow) / (thick * flow) + b - clean
        if float(cake.min()) <= 0.2 * clean:
            return None
        slope = b * (1.0 - dense * flow / thick) / cake     # of ln(cake) by ln(b)
        estimate, its_covariance, scatter = _regress(np.log(cake), np.column_stack([trend, x, -slope]))
        precision = np.linalg.inv(its_covariance)
        covariance = np.linalg.inv(precision + prior)
        wanted = np.array([PACKING, log_b - math.log(b)])
        mean = covariance @ (precision @ estimate + prior @ wanted)
        b = min(b * math.exp(max(-0.7, min(0.7, float(mean[1])))), LARGEST * clean)
    if abs(math.log(b) - log_b) > STRAYED * spread:
        return None
    return Parts(b, math.sqrt(covariance[1, 1]), float(mean[0]), math.sqrt(covariance[0, 0]), scatter)


def load() -> None:
    """Imports now what the first regression needs: a second of a daemon's loop, and some 75 MiB, at its start rather
    than in the midst of service."""
    from statsmodels.regression import linear_model  # noqa: F401


def _regress(y: Array, columns: Array) -> tuple[Array, Array, float]:
    """Ordinary least squares: the last two coefficients, their covariance after Newey and West, residual scatter."""
    from statsmodels.regression.linear_model import OLS

    fitted = OLS(y, columns).fit(cov_type="HAC", cov_kwds={"maxlags": LAGS, "use_correction": True})
    covariance = np.asarray(fitted.cov_params())[-2:, -2:]
    floor = np.diag(np.full(2, 1e-8))
    return np.asarray(fitted.params)[-2:], covariance + floor, float(np.std(fitted.resid))


def _use(teller: Teller, parts: Parts, time: int) -> None:
    """Unless what is used already is much surer: what one stretch shows differs from another by more than it says."""
    swings = teller.story.swings
    surest = SURE if swings.surest is None else swings.surest
    if parts.scatter > FITS or parts.packing_error > min(SURE, WORSE * surest):
        return
    swings.surest = min(parts.packing_error, surest)
    exponent = min(shrunk(parts.packing, parts.packing_error), HIGHEST_PACKING)
    story, state = teller.story, teller.state
    state["packing"], state["clean"] = exponent, story.clean[0]
    if parts.turbulent_error < TOLD:
        state["turbulent"] = parts.turbulent
        story.turbulent_error = parts.turbulent_error
        note_turbulent(teller, parts.turbulent, parts.turbulent_error, "flow", time)
    note_packing(teller, exponent, parts.packing_error, story.clean[0], time)


def shrunk(estimate: float, error: float) -> float:
    """Towards nothing by what its error makes doubtful, never below: the positive-part rule of James and Stein (1961)
    for one number. An exponent that is hardly told apart from none then moves normalised dP hardly."""
    return max(estimate - error * error / estimate, 0.0) if estimate > 0.0 else 0.0
