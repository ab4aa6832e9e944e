"""Labels and truth that only a finished run can tell: when the changeout point was reached, what a tear cost."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from monitor.model import Role
from monitor.simulation.instruments import UNITS
from monitor.simulation.labels import due_crossings, spans
from monitor.simulation.machine import Machine
from monitor.simulation.plant import TRUTH_EVERY, Record
from monitor.simulation.site import BAR, Site, blocking_integral, ratio_for

if TYPE_CHECKING:
    from monitor.simulation.story import Story

Array = npt.NDArray[np.float64]
LOW_RATIO, HIGH_RATIO = 0.75, 1.30      # between them a changeout is good
LIKELY_LOSS, LEAST_LOSS = 0.40, 0.15    # of an element-breach
WITHIN = {"in-service": (300, 60), "after-restart": (600, 300)}  # s to find one, up to LIKELY_LOSS and from it on
FORECAST_HOURS = 48                     # within which a forecast may honestly have been raised


def label_run(story: Story, record: Record, interval: float) -> dict[str, Array]:
    """Adds to the story's labels what the run decided and returns the columns of truth.csv.gz."""
    second = np.arange(0, story.seconds, TRUTH_EVERY, dtype=float)
    _label_changes(story)
    _label_breaches(story, interval)
    _label_dues(story, second, record.reference)
    _allow_forecasts(story, second, record.reference)
    _label_limit(story, record)
    return _truth(story, second, record)


def ratio_uncertainty(site: Site, machine: Machine, vessel: int) -> float:
    """Half of an honest 90 % interval of a changeout's ratio, from what this site's transmitters can know now.

    The dP's zero (0.05 % of span each), 1 % of dP with flow and temperature; without a meter the flow itself, which
    pump and system leave open by 9 %; without a thermometer viscosity, by 1 K; and how far the others' cake packs
    between their turn alone and now (an exponent known within 0.1). Divided by how much of one vessel's resistance
    shows in the skid's.
    """
    before, own = machine.at_reference()
    machine.vessels.clean[vessel] *= 1.05
    after, moved = machine.at_reference()
    machine.vessels.clean[vessel] /= 1.05
    shows = max((after - before) / float(moved[vessel] - own[vessel]), 1e-3)
    pair = [t for t in site.transmitters if t.role in (Role.INLET_PRESSURE, Role.DIFFERENTIAL_PRESSURE)]
    zero = min(0.0005 * t.span * UNITS[t.unit][0] for t in pair) * (1.0 if site.has("D") else math.sqrt(2))
    known = math.hypot(0.01 if site.has("F") else 0.09, 0.0 if site.has("T") else 0.025)
    rest = math.hypot(known, _packing_unknown(machine, vessel, before)) * before
    return 1.64 * math.hypot(zero, rest) / shows / site.clean_dp


def _packing_unknown(machine: Machine, vessel: int, together: float) -> float:
    """Share of the skid's flow that is in doubt because the others' cake was packed otherwise while they ran alone."""
    duty = machine.vessels.duty
    if duty[vessel] < 0.5 or np.count_nonzero(duty > 0.5) < 2:
        return 0.0
    duty[vessel] = 0.0
    alone, _ = machine.at_reference()
    duty[vessel] = 1.0
    others = 1 - machine.flow_left_for(vessel, together) / machine.skid.flow_ref
    return float(0.1 * math.log(max(alone / together, 1.0)) * min(max(others, 0.0), 1.0))


def _label_changes(story: Story) -> None:
    for plan, verdict, ratio, unclear, cause in story.verdicts:
        more = {"size": round(ratio, 3)} | ({"cause": cause} if cause else {})
        vessel = story.site.vessels[plan.vessel]
        story.labels.expect(
            plan.returned, "changeout-done", 960, vessel=vessel, detail=verdict, early_s=120,
            isolated_at=plan.isolated, **more, **({"verdict_ok": [verdict, "unverified"]} if unclear else {}),
        )  # fmt: skip
        if verdict != "good" and unclear:
            story.labels.allow("changeout-suspect", plan.returned - 120, story.seconds)
        elif verdict != "good":
            story.labels.expect(
                plan.returned, "changeout-suspect", 960, vessel=vessel, detail=verdict, early_s=120,
                until=story.seconds, **more,
            )  # fmt: skip


def _label_breaches(story: Story, interval: float) -> None:
    for second, vessel, detail, lost in story.breaches:
        if not lost:
            continue
        size, repaired = lost["share"], [c.start for c in story.changes if c.vessel == vessel and c.start > second]
        until = float(min([*repaired, story.seconds]))
        within = WITHIN[detail][size >= LIKELY_LOSS]
        if size < LEAST_LOSS + 0.01 or until - second < within + 60:
            story.labels.allow("element-breach", second - 60, until)
            continue
        story.labels.expect(
            second, "element-breach", within + 3 * interval, vessel=story.site.vessels[vessel], detail=detail,
            size=round(size, 3), until=until, grade="likely" if size >= LIKELY_LOSS or lost["below"] else "suspected",
            **({"early_s": 60} if detail == "after-restart" else {}),
        )  # fmt: skip


def _label_dues(story: Story, second: Array, reference: Array) -> None:
    limit, labels = story.site.changeout_dp, story.labels
    for due in due_crossings(second, reference, limit, story.band):
        labels.allow("changeout-due", due.early - 60, due.until + 60)
        if not story.due_expected or any(c.start < due.late and c.returned > due.time for c in story.changes):
            continue
        # A stopped or settling skid is not judged: that much later still counts.
        stops = [(a, b) for a, b in story.signs.stops if due.time - 300 < b and a < due.late]
        unjudged = sum(again - stop + 300 for stop, again in stops)
        within = max(600.0, min(due.late - due.time + unjudged, due.until - due.time))
        early = round(max(due.time - due.early, 610.0))
        labels.expect(due.time, "changeout-due", within, until=due.until, early_s=early)
    for begin, end in spans(second, reference > (1 - story.band) * limit):
        labels.allow("changeout-due", begin - 60, end + 60)


def _allow_forecasts(story: Story, second: Array, reference: Array) -> None:
    """Forecasts may be raised where the point is honestly within two days."""
    site, skid = story.site, story.site.skid
    need = blocking_integral(ratio_for(skid, site.element, site.changeout_dp), skid.exponent)
    levels = np.linspace(site.clean_dp, site.changeout_dp, 60)
    used = np.array([blocking_integral(ratio_for(skid, site.element, x), skid.exponent) for x in levels])
    left = (need - np.interp(reference, levels, used)) / site.element.loading
    usual = 0.75 * site.flow_ref / site.in_service * max(float(np.mean(story.solids)), 0.05)
    for begin, end in spans(second, left / usual / 3600 < FORECAST_HOURS):
        story.labels.allow("changeout-forecast", begin - 60, end + 60)


def _label_limit(story: Story, record: Record) -> None:
    """dp-limit: expected where the true dP is clearly past 85 % of max_dp for a minute, allowed near it."""
    drop = np.where(record.forward > 0.02 * story.site.flow_ref, record.inlet - record.outlet, 0.0)
    limit, second = 0.85 * story.site.max_dp, np.arange(drop.size, dtype=float)
    near = spans(second, drop > 0.96 * limit)
    for begin, end in near:
        story.labels.allow("dp-limit", begin - 30, end + 60)
    past = [(a, b) for a, b in spans(second, drop > 1.015 * limit) if b - a >= 60]
    for begin, end in near:
        inside = [a for a, b in past if begin <= a < end]
        if inside:
            story.labels.expect(inside[0], "dp-limit", 120, early_s=round(inside[0] - begin + 30), until=end)


def _truth(story: Story, second: Array, record: Record) -> dict[str, Array]:
    left, fraction = _lives(story, second, record.reference)
    at = second.astype(int)
    return {
        "second": second, "hours_to_due": left, "life_fraction": fraction, "dp_ref_bar": record.reference / BAR,
        **{f"resistance_{v}_bar": record.resistance[:, i] / BAR for i, v in enumerate(story.site.vessels)},
        "flow_m3h": record.forward[at] * 3600, "dp_bar": (record.inlet - record.outlet)[at] / BAR,
    }  # fmt: skip


def _lives(story: Story, second: Array, reference: Array) -> tuple[Array, Array]:
    """Hours to changeout-due and share of life used, where the recording shows the end of that life."""
    left, fraction = np.full(second.size, np.nan), np.full(second.size, np.nan)
    swaps = sorted(c.swapped for c in story.changes)
    for due in due_crossings(second, reference, story.site.changeout_dp, story.band):
        began = max([s for s in swaps if s <= due.time], default=-story.age)
        inside = (second >= began) & (second <= due.time)
        left[inside] = (due.time - second[inside]) / 3600
        fraction[inside] = (second[inside] - began) / max(due.time - began, 1.0)
    return left, fraction
