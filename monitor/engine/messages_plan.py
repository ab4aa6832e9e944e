"""The plan that follows from a forecast, in words: for `bagwright plan` and the report."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

from monitor.engine.messages_forecast import RESPONSE, First, foreseen_at, hours, kept, rests_on
from monitor.engine.wording import Words, clock
from monitor.forecast.plan import Need, OnTheRun, OtherPoint
from monitor.forecast.watch import Watch
from monitor.skid import SkidSettings


class Plan(NamedTuple):
    """What can be said of a skid's next changeouts. on_the_run: None where no other vessel carries the flow."""

    watch: Watch
    on_the_run: OnTheRun | None
    first: First | None
    needs: list[Need] | None
    points: list[OtherPoint]


def plan_lines(skid: SkidSettings, plan: Plan) -> Iterator[tuple[str, str]]:
    """(what, sentence), in the order in which a planner asks."""
    words, watch = Words(skid), plan.watch
    yield "due", due_line(plan)
    basis = rests_on(watch) if watch.latest is not None else ""
    if basis:
        yield "rests on", basis
    if watch.scores:
        yield "before", f"the forecasts of {kept(watch)}"
    yield "to do", RESPONSE
    if plan.first:
        yield "first", f"{plan.first.vessel}: {plan.first.why}"
    if plan.on_the_run is not None:
        yield "on the run", run_line(words, skid, plan.on_the_run)
    yield "elements", needs_line(plan.needs)
    if plan.points:
        yield "other points", points_line(words, plan)


def due_line(plan: Plan) -> str:
    watch = plan.watch
    if watch.due is not None:
        return f"now: the changeout point was reached at {clock(watch.due[0])}"
    if watch.latest is None:
        return f"nothing can be said: {watch.silence}"
    time, p10, p50, p90 = watch.latest
    return (f"about {foreseen_at(time, p50)}, in {hours(p50)} (80 %: {hours(p10)} to {hours(p90)}) from {clock(time)}, "
            "if the skid is used as of late")  # fmt: skip


def run_line(words: Words, skid: SkidSettings, run: OnTheRun) -> str:
    """Latest time to change one vessel while the rest carry the flow, and its cautious bound."""
    most = words.pressure(skid.element.max_dp)
    now = (f"with one vessel isolated now, at reference flow, the rest show {words.pressure(run.rest.expected)}, at "
           f"most {words.pressure(run.rest.upper)} where cake packs; ")  # fmt: skip
    if run.hours_packed == 0.0:
        return f"{now}that can pass {most}: lower the flow first"
    if run.hours_packed is None:
        return f"{now}they would pass {most} from {words.pressure(run.level_packed)} of the whole skid on"
    if math.isinf(run.hours_packed):
        return f"{now}they stay below {most} up to the changeout point"
    later = "" if run.hours is None or math.isinf(run.hours) else f" ({hours(run.hours)} where it does not pack)"
    return f"{now}later than in {hours(run.hours_packed)}{later} they pass {most}: change before"


def needs_line(needs: list[Need] | None) -> str:
    if needs is None:
        return "not known before one life has been seen from a changeout to the changeout point"
    return "; ".join(f"{n.days:.0f} days: {count(n.expected)} expected, {between(n)} in four cases of five"
                     for n in needs)  # fmt: skip


def between(need: Need) -> str:
    low, high = f"{need.p10:.0f}", f"{need.p90:.0f}"
    return low if low == high else f"{low} to {high}"


def points_line(words: Words, plan: Plan) -> str:
    """Elements a month were the changeout point another, and from where on that leaves no vessel to change on the
    run."""
    now = plan.points[0].now
    told = [f"{'at least ' if p.carried_on else ''}{count(p.then)} at {words.pressure(p.point)}" for p in plan.points]
    line = f"elements in 30 days, in the long run: {count(now)} as it is, {', '.join(told)}"
    run = plan.on_the_run
    if run is None or run.level_packed >= max(p.point for p in plan.points):
        return line
    return (f"{line}; above {words.pressure(run.level_packed)} no vessel can be changed on the run at reference flow, "
            "where cake packs")  # fmt: skip


def count(elements: float) -> str:
    return f"{elements:.0f}" if elements >= 10 else f"{elements:.1f}"
