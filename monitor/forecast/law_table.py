"""The laws on the present life, fitted once more by statsmodels and with its errors: for a person, on demand.

Forecasts use `fit`, which is the same least squares in closed form for all laws at once, some twenty times faster; here
nothing hurries, and the numbers are those of the library.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from monitor.forecast.curve import Point, columns
from monitor.forecast.fit import LEAST_POINTS, lags_for
from monitor.forecast.laws import LAWS, straight

LEVEL = 0.80


class LawRow(NamedTuple):
    """rate: k of da/dV = k a^m with a in bar and V in the unit of the curve; low, high: its 80 % interval; scatter: of
    the resistances about the law [bar]."""

    law: str
    exponent: float
    rate: float
    low: float
    high: float
    scatter: float


def law_table(points: list[Point], turbulent: float) -> list[LawRow]:
    """One row a law; empty with too few points. turbulent: the part of dP that does not load [Pa]."""
    if len(points) < LEAST_POINTS:
        return []
    volume, dp, weight = columns(points)
    a = (dp - turbulent) / 1e5
    usable = a > 0
    volume, a, weight = volume[usable], a[usable], weight[usable]
    if a.size < LEAST_POINTS:
        return []
    from statsmodels.regression.linear_model import WLS

    rows = []
    for law, m in LAWS.items():
        design = np.column_stack((np.ones(a.size), volume))
        fitted = WLS(straight(a, m), design, weights=weight * a ** (2 * m)).fit(
            cov_type="HAC", cov_kwds={"maxlags": lags_for(a.size), "use_correction": True}
        )
        low, high = fitted.conf_int(1 - LEVEL)[1]
        misses = fitted.resid * a**m
        rows.append(LawRow(law, m, float(fitted.params[1]), float(low), float(high),
                           float(np.sqrt(np.average(misses**2, weights=weight)))))  # fmt: skip
    return rows


def law_lines(points: list[Point], turbulent: float, *, by_volume: bool) -> list[tuple[str, str]]:
    """The table as (what, sentence), the law that fits best first; one line where resistance has not grown yet.
    by_volume: whether the curve is over m^3, not running seconds."""
    rows = sorted(law_table(points, turbulent), key=lambda r: r.scatter)
    if rows and all(row.low <= 0 for row in rows):
        return [("laws", f"no growth beyond the scatter of {rows[0].scatter:.2g} bar yet")]
    if not rows:
        return []
    per, unit = (1.0, "m³") if by_volume else (3600.0, "h of running")
    told = [
        (row.law, f"m = {row.exponent:g}, k {per * row.rate:.4g} (80 %: {per * row.low:.4g} to {per * row.high:.4g}), "
                  f"scatter {row.scatter:.2g} bar about it")
        for row in rows
    ]  # fmt: skip
    return [("laws", f"da/dV = k a^m for this life, closest first; a: the part of dP that loads, in bar; V in {unit}"),
            *told]  # fmt: skip
