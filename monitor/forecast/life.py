"""Lives of elements: what is remembered of each, as the present engine needs it and as it is written down."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from monitor.forecast.combine import LAW_WORTH, LEAST_SHARE, misses_of
from monitor.forecast.curve import Point, pooled
from monitor.forecast.fit import fit_laws
from monitor.forecast.laws import LAWS, straight
from monitor.forecast.prior import NONE, SHARES, Template, template

Array = npt.NDArray[np.float64]

BAR = 1e5
DUE, EARLY, RUNNING = "due", "early", "running"     # how a life ended: at the changeout point, before it, not yet
PACE_AT = np.linspace(0.0, 1.0, 21)
PACE_WORTH = 2.0         # lives that an even pace is worth
MOST_SLOWING = 0.4
SAME = 1e-3        # relative, between changeout points that are one
FEW = 8            # points below which a curve says nothing
SEEN_FROM = 0.6    # of the resistance at the changeout point, from which on a life must have been seen at least
UNSEEN = 12        # points put in for what was not seen
NEARLY = 0.90      # of the changeout point, from which a curve is carried on to it in a straight line


class Past(msgspec.Struct):
    """An earlier life as forecasts use it. run: when it began [ns]; total: volume (or s of running) it took to the
    changeout point, or until it was ended; shape: dP at SHARES of it as fractions of the point, empty where it was
    ended; hours: wall-clock, of the whole; misses, whole: see Template; pace: share of the running time at PACE_AT of
    the volume."""

    run: int
    total: float
    hours: float
    shape: list[float] = []
    misses: list[float | None] = []
    pace: list[float] = []
    whole: bool = True


class ElementLife(msgspec.Struct):
    """One life of an element, as a line of elements.jsonl and as a fact. Times RFC 3339; None: not known. `run`: when
    the skid's loading curve began that it lived through (vessels changed together share one); `unit`: of the curve's
    first column and of `run_total`, m^3 through the skid or h of running; curve: [volume or hours, dP at reference bar,
    running hours that the point stands for]; fitted_by: who told of the element that lived."""

    skid: str
    vessel: str | None
    part: str
    since: str | None
    until: str
    ended: str
    hours: float | None
    volume_m3: float | None
    changeout_dp_bar: float
    run: str
    run_began: int
    run_hours: float
    run_total: float
    whole: bool
    unit: str
    curve: list[list[float]]
    forecast_score: dict[str, float] | None = None
    fitted_by: str = ""


def written(life: ElementLife) -> dict[str, Any]:
    """As JSON has it: `from` and `to` are what people look for, but no names in Python."""
    out = dict(msgspec.to_builtins(life))
    return {"from": out.pop("since"), "to": out.pop("until"), **out}


def read(line: Mapping[str, Any]) -> ElementLife:
    """msgspec.ValidationError where it is none."""
    content = dict(line)
    content["since"], content["until"] = content.pop("from", None), content.pop("to", None)
    return msgspec.convert(content, ElementLife)


def curve_of(points: Sequence[Point], per: float) -> list[list[float]]:
    """Points as they are written down; per: volume [m^3] or running time [s] in the unit of the first column."""
    return [[float(f"{x / per:.6g}"), float(f"{dp / BAR:.5g}"), float(f"{w / 3600:.4g}")] for x, dp, w in points]


def past_of(life: ElementLife, limit: float, per: float, turbulent: float, clean: float = math.nan) -> Past:
    """What it says for a changeout point of `limit` [Pa]. A curve that came near is carried on to it; one that was
    ended before is a lower bound. clean: see `past`."""
    table = np.array(life.curve, float)
    same = abs(life.changeout_dp_bar * BAR / limit - 1) < SAME
    return past(
        life.run_began, table[:, 0] * per, table[:, 1] * BAR, table[:, 2] * 3600, limit=limit, turbulent=turbulent,
        hours=life.run_hours, whole=life.whole, total=life.run_total * per if same and life.ended == DUE else None,
        clean=clean,
    )  # fmt: skip


def past(
    run: int, x: Array, dp: Array, weight: Array, *, limit: float, turbulent: float, hours: float, whole: bool,
    total: float | None = None, clean: float = math.nan,
) -> Past:  # fmt: skip
    """From a loading curve. turbulent: the part of dP that does not load [Pa]; total: where the point was reached,
    where that was seen; clean: dP of the clean skid [Pa], to which a curve is carried back whose beginning was not
    seen."""
    if total is None:
        total = crossing(x, pooled(dp, weight), limit)
    if total is not None and total <= 0:
        return Past(run, 0.0, hours)    # at the point from its beginning: nothing was seen of its loading
    if not whole:
        begun = None if total is None else unseen(x, dp, weight, total=total, limit=limit, turbulent=turbulent,
                                                  clean=clean)  # fmt: skip
        if begun is None or total is None:
            return Past(run, float(x[-1]), hours)
        before, level = begun
        gone = float(before[-1])
        weight = np.concatenate((np.gradient(before) * float(weight.sum()) / float(x[-1]), weight))
        x, dp = np.concatenate((before, x + gone)), np.concatenate((level, dp))
        hours, total = hours * (total + gone) / total, total + gone
    found = template(x, dp, weight, limit=limit, total=total)
    share = 1.0 if total is None else min(total / float(x[-1]), 1.0)
    if total is None:
        return Past(run, found.total, hours)
    missed = misses_of(SHARES * total, found.shape, total=total, limit=limit, turbulent=turbulent)
    shape = [float(f"{v:.4g}") for v in (found.shape / limit).tolist()]
    misses = [float(f"{m:.3g}") if math.isfinite(m) else None for m in missed.tolist()]
    return Past(run, found.total, hours * share, shape, misses, pace_of(x, weight, total), whole)


def unseen(
    x: Array, dp: Array, weight: Array, *, total: float, limit: float, turbulent: float, clean: float
) -> tuple[Array, Array] | None:
    """Volume and dP of what went before a curve that reached the point: back to the clean skid by the laws that fit it,
    by their evidence. None where too little of the life was seen, or what clean is is not known."""
    seen = x <= total
    laminar, point, begin = dp[seen] - turbulent, limit - turbulent, clean - turbulent
    usable = laminar > LEAST_SHARE * limit
    if not begin > 0 or np.count_nonzero(usable) < FEW:
        return None
    volume, laminar, weight = x[seen][usable], laminar[usable], weight[seen][usable]
    first = float(np.average(laminar[: max(3, laminar.size // 12)], weights=weight[: max(3, laminar.size // 12)]))
    if not begin < first < SEEN_FROM * point:
        return None
    fit = fit_laws(volume, laminar, weight, now=0.0, limit=point)
    if fit is None or not (fit.rate > 0).any():
        return None
    shares = np.where(fit.rate > 0, np.exp(LAW_WORTH * (fit.evidence - fit.evidence[fit.rate > 0].max())), 0.0)
    rates, shares = np.where(fit.rate > 0, fit.rate, 1.0), shares / shares.sum()
    levels = np.geomspace(begin, first, UNSEEN)
    lines = np.stack([straight(levels / point, m) for m in LAWS.values()])
    before = shares @ ((lines - lines[:, :1]) / rates[:, None])
    return before, levels + turbulent


def pace_of(x: Array, weight: Array, total: float) -> list[float]:
    """Share of the running time passed at PACE_AT of the volume `total`."""
    ends = np.concatenate(([0.0], 0.5 * (x[:-1] + x[1:]), [2 * x[-1] - 0.5 * (x[-2] + x[-1])]))
    passed = np.concatenate(([0.0], np.cumsum(weight)))
    at = np.interp(PACE_AT * total, ends, passed)
    return [float(f"{v:.4g}") for v in (at / at[-1]).tolist()]


def slowing(lives: Sequence[Past], used: float) -> float:
    """By how much longer (or shorter) earlier lives took for a volume after the share `used` of them than shortly
    before: flow gives way as dP rises. 1 where nothing is known; drawn to it by how few are known."""
    paces = [p.pace for p in lives if p.pace]
    if not paces or not 0.05 < used < 0.98:
        return 1.0
    logs = []
    for pace in paces:
        before, now = np.interp([used - min(0.1, used), used], PACE_AT, pace)
        rate, later = (now - before) / min(0.1, used), (1 - now) / (1 - used)
        logs.append(math.log(max(later, 1e-3) / max(rate, 1e-3)))
    mean = float(np.median(logs)) * len(logs) / (len(logs) + PACE_WORTH)
    return math.exp(min(max(mean, -MOST_SLOWING), MOST_SLOWING))


def crossing(x: Array, rising: Array, limit: float) -> float | None:
    """Volume at which a curve that never falls reaches `limit`; carried on where it came near it, else None."""
    k = int(np.searchsorted(rising, limit))
    if k == 0:
        return float(x[0])
    if k < x.size:
        share = (limit - rising[k - 1]) / (rising[k] - rising[k - 1])
        return float(x[k - 1] + share * (x[k] - x[k - 1]))
    back = int(np.searchsorted(x, 0.93 * x[-1]))
    rise = float(rising[-1] - rising[min(back, x.size - 2)])
    if rising[-1] < NEARLY * limit or rise <= 0:
        return None
    return float(x[-1] + (limit - rising[-1]) * (x[-1] - x[min(back, x.size - 2)]) / rise)


def templates(lives: Sequence[Past], limit: float) -> list[Template]:
    return [
        Template(p.total, np.array(p.shape) * limit, not p.shape,
                 np.array([math.nan if m is None else m for m in p.misses]) if p.misses else NONE, p.whole)
        for p in lives
    ]  # fmt: skip


def at_other_point(found: Sequence[Template], point: float) -> list[Template]:
    """The same lives as they would have been with a lower changeout point [Pa]."""
    out = []
    for t in found:
        if t.censored:
            out.append(t)
            continue
        share = max(float(np.interp(point, t.shape, SHARES)), 0.02)
        out.append(Template(t.total * share, np.interp(SHARES * share, SHARES, t.shape), whole=t.whole))
    return out
