"""What `changeout-forecast` says: when, how sure, on what that rests, what to do before."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

from monitor.alarms.catalogue import CAUTION
from monitor.engine.wording import Words, clock, join, unmeasured
from monitor.forecast.combine import likeliest
from monitor.forecast.laws import LAWS
from monitor.forecast.plan import OnTheRun
from monitor.forecast.watch import Row, Score, Watch
from monitor.model import Event, Transition
from monitor.skid import SkidSettings

HOUR = 3_600_000_000_000
KIND = "changeout-forecast"
RESPONSE = "Have elements at hand and plan the change: one vessel at a time while the rest carry the flow."


class First(NamedTuple):
    """The vessel to change first, and why."""

    vessel: str
    why: str


class Outlook(NamedTuple):
    """A forecast with what belongs to it. notice: hours; first: the vessel to change first, where it is known."""

    row: Row
    notice: float
    watch: Watch
    on_the_run: OnTheRun | None
    first: First | None


def hours(value: float) -> str:
    """Hours for people.

    >>> hours(0.02), hours(0.5), hours(1.5), hours(30), hours(125)
    ('72 s', '30 min', '1.5 h', '30 h', '5.2 d')
    """
    if value < 1:
        return f"{3600 * value:.0f} s" if value < 1 / 12 else f"{60 * value:.0f} min"
    if value < 10:
        return f"{value:.1f} h"
    return f"{value:.0f} h" if value < 72 else f"{value / 24:.1f} d"


def foreseen_at(time: int, p50: float) -> str:
    """When the point is expected, to the minute where it is more than an hour off: no forecast knows seconds."""
    at = clock(time + round(p50 * HOUR))
    return at if p50 < 1 else at[:16] + at[19:]


def near_event(skid: SkidSettings, at: Outlook, since: int) -> Event:
    row, words = at.row, Words(skid)
    limit = skid.alarms["changeout-due"].limit or skid.element.changeout_dp
    message = join(
        f"{skid.name} ({skid.id}): dP at reference flow and temperature is expected to reach {words.pressure(limit)} "
        f"in {hours(row.p50)} (80 %: {hours(row.p10)} to {hours(row.p90)}), about "
        f"{foreseen_at(row.time, row.p50)}, if the skid is used as of late; the notice period is {hours(at.notice)}.",
        sentence("It rests on", rests_on(at.watch)), sentence("The forecasts of", kept(at.watch)), RESPONSE,
        on_the_run(words, skid, at), unmeasured(skid), CAUTION,
    )  # fmt: skip
    return Event(
        time=row.time, skid=skid.id, kind=KIND, transition=Transition.RAISED, message=message,
        value=round(row.p50, 3), unit="h", onset=since, evidence=evidence(at),
    )  # fmt: skip


def sentence(head: str, rest: str) -> str:
    return f"{head} {rest}." if rest else ""


def rests_on(watch: Watch) -> str:
    """What the forecast comes from; empty where there is none."""
    fitted = watch.fitted
    lives = 0 if fitted is None else fitted.lives
    law = None if fitted is None else likeliest(fitted.laws)
    parts = []
    if lives:
        parts.append(f"{lives} earlier {'life' if lives == 1 else 'lives'}")
    if law:
        parts.append(f"the curve of this one (likeliest: {law} {'loading' if law == 'cake' else 'blocking'})")
    return " and ".join(parts)


def kept(watch: Watch) -> str:
    """How the last forecasts did; empty where none has been scored."""
    return f"the last life that reached the point {scored(watch.scores[-1])}" if watch.scores else ""


def scored(score: Score) -> str:
    return (f"held the truth {100 * score.inside:.0f} % of the time (it should be 80 %) and erred by "
            f"{score.error:.0f} % of what remained (median)")  # fmt: skip


def on_the_run(words: Words, skid: SkidSettings, at: Outlook) -> str:
    """What changing one vessel while the rest carry the flow comes to."""
    run = at.on_the_run
    if run is None:
        return ""
    first = f"Change {at.first.vessel} first: {at.first.why}. " if at.first else ""
    shown = (f"{first}With one vessel isolated now, at reference flow, the rest would show about "
             f"{words.pressure(run.rest.expected)}, at most {words.pressure(run.rest.upper)} where cake "
             "packs.")  # fmt: skip
    most = words.pressure(skid.element.max_dp)
    if run.hours_packed == 0.0:
        return f"{shown} That can pass the {most} the elements are built for: lower the flow before isolating a vessel."
    if run.hours_packed is None or math.isinf(run.hours_packed):
        return shown
    later = "" if run.hours is None or math.isinf(run.hours) else f", where it does not in {hours(run.hours)}"
    return (f"{shown} The latest time to change on the run at that flow comes before the changeout point: where cake "
            f"packs the rest pass {most} if it is done later than in {hours(run.hours_packed)}{later}.")  # fmt: skip


def evidence(at: Outlook) -> dict[str, Any]:
    watch, run = at.watch, at.on_the_run
    fitted = watch.fitted
    return {
        "p10_h": rounded(at.row.p10), "p50_h": rounded(at.row.p50), "p90_h": rounded(at.row.p90),
        "notice_h": rounded(at.notice), "earlier_lives": 0 if fitted is None else fitted.lives,
        "laws": {} if fitted is None or not fitted.laws else law_weights(fitted.laws),
        "level_pa": rounded(watch.level), "first_vessel": at.first and at.first.vessel,
        "latest_on_the_run_h": None if run is None else rounded(run.hours),
        "latest_on_the_run_packed_h": None if run is None else rounded(run.hours_packed),
        "scores": [{"inside": s.inside, "median_error_pct": s.error} for s in watch.scores],
    }  # fmt: skip


def law_weights(shares: tuple[float, ...]) -> dict[str, float]:
    return {law: round(share, 3) for law, share in zip(LAWS, shares, strict=True)}


def rounded(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else round(value, 4)


def cleared_event(skid: SkidSettings, time: int, p50: float | None, why: str, score: Score | None = None) -> Event:
    """p50: hours left where a forecast still stands."""
    left = "" if p50 is None else f" ({hours(p50)})"
    did = "" if score is None else f" Since 30 % of that life its forecasts {scored(score)}."
    return Event(
        time=time, skid=skid.id, kind=KIND, transition=Transition.CLEARED,
        message=f"{skid.name} ({skid.id}): the changeout point is no longer near: {why}{left}.{did}",
        value=None if p50 is None else round(p50, 3), unit="h",
    )  # fmt: skip
