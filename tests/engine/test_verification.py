"""Verdicts on made-up changeouts of known truth: how often the interval holds it, how often the verdict is right."""

from __future__ import annotations

import math

import numpy as np
from scipy.optimize import brentq

from monitor.engine.look_back import Level
from monitor.engine.verification import PACKING, Change, Reference, Site, verify
from monitor.hydraulics.network import Conditions
from monitor.hydraulics.network_fit import Prior

CLEAN, SQUARE = 0.15e5, 0.36      # Pa at its share, and how much of it goes with the square of flow
ZERO, SHEET = 600.0, 0.04         # errors: Pa, relative
SYSTEM, BACK, HEAD, DROOP = 1.2e5, 0.8e5, 3.6e5, 0.6e5
LIMITS = (0.75, 1.3)


def skid_level(parts: list[tuple[float, float]], count: int, packing: float, square: float) -> Conditions:
    """dP and flow of vessels on a pump's curve, by root search. parts: clean laminar and cake of each open vessel
    [Pa at its share, cake as at 0.5 bar]."""

    def carried(drop: float) -> float:
        total = 0.0
        for clean, cake in parts:
            a = clean + cake * (drop / 0.5e5) ** packing
            total += 2 * drop / (a + math.sqrt(a * a + 4 * square * drop))
        return total / count

    drop = float(brentq(lambda x: HEAD - BACK - (DROOP + SYSTEM) * carried(x) ** 2 - x, 1.0, 3e5))
    return Conditions(drop, carried(drop))


def drawn(rng: np.random.Generator, ratio: float, flow: bool) -> tuple[Change, Site]:
    count = int(rng.choice([2, 2, 3, 4]))
    square = SQUARE * CLEAN * math.exp(0.15 * rng.standard_normal())
    packing = max(PACKING[0] + PACKING[1] * rng.standard_normal(), 0.0)
    clean = CLEAN - square
    loaded = [(clean, float(rng.uniform(0.2e5, 0.9e5))) for _ in range(count)]
    fresh = (max(ratio * CLEAN - square, 0.02 * clean), 0.0)
    zero = ZERO * float(rng.standard_normal())

    def seen(parts: list[tuple[float, float]]) -> Level:
        state = skid_level(parts, count, packing, square)
        outlet = BACK + SYSTEM * state.flow**2
        read = state.flow * (1 + 0.003 * rng.standard_normal()) if flow else 1.0
        drop = state.pressure_drop * (1 + 0.003 * rng.standard_normal()) + zero
        return Level(Conditions(drop, read), outlet + drop, outlet, math.nan, (), 0.003, 12)

    change = Change(0, 0, seen(loaded), seen(loaded[1:]), seen([fresh, *loaded[1:]]))
    sheet = CLEAN * math.exp(SHEET * rng.standard_normal())
    site = Site(count, Prior(0.36 * sheet, 0.25), Reference(sheet, SHEET), ZERO, flow=flow, idle_outlet=BACK)
    return change, site


def judged(flow: bool, seed: int, n: int) -> tuple[int, int, int]:
    """How often the interval held the truth, the verdict was right, and it was wrong, of n."""
    rng, held, right, wrong = np.random.default_rng(seed), 0, 0, 0
    for _ in range(n):
        spoilt = rng.random() < 0.2
        ratio = float(rng.choice([rng.uniform(0.3, 0.6), rng.uniform(1.6, 2.5)]) if spoilt else rng.normal(1, 0.03))
        truth = "good" if not spoilt else "resistance-low" if ratio < 1 else "resistance-high"
        change, site = drawn(rng, ratio, flow)
        found = verify([change], site, LIMITS)
        held += found.low <= ratio <= found.high
        right += found.verdict == truth
        wrong += found.verdict not in (truth, "unverified")
    return held, right, wrong


def test_with_a_flow_meter_the_first_changeout_is_told_and_its_interval_holds_the_truth():
    held, right, wrong = judged(True, 4, 150)
    assert held >= 130      # 90 % of 150 are 135; 130 is below it by 1.4 standard deviations
    assert right >= 130
    assert wrong <= 2


def test_without_one_it_is_told_less_often_but_hardly_ever_wrongly():
    held, right, wrong = judged(False, 5, 150)
    assert held >= 128
    assert right >= 90
    assert wrong <= 7       # one in twenty
