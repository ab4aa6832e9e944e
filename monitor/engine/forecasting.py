"""The forecast in the event tier: samples of loading in, rows of forecasts and `changeout-forecast` out."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import msgspec
import numpy as np

from monitor.engine import codes
from monitor.engine.loading_unlike import weigh_loading
from monitor.engine.messages_forecast import First, Outlook, cleared_event, near_event
from monitor.engine.messages_plan import Plan
from monitor.engine.row_tier import Emission, RowTier
from monitor.engine.story import NORMAL, Story, ToldChange, VesselMemory
from monitor.engine.told import ForecastRow, Told
from monitor.engine.verification import LIKELY_TURBULENT
from monitor.forecast.life import BAR, DUE, EARLY, RUNNING, ElementLife, curve_of, past_of, read, written
from monitor.forecast.notice import Move, notice_hours, weigh
from monitor.forecast.plan import change_on_the_run, elements_needed, other_points
from monitor.forecast.watch import (
    Row,
    Run,
    Sample,
    Skid,
    changed,
    changed_unseen,
    drop_latest,
    position_of_end,
    reached,
    receded,
    remember,
    spell,
    stand,
    take,
    unchanged,
)
from monitor.hydraulics.pressure_drop import turbulent_part
from monitor.model import NS, Fact, Role
from monitor.skid import SkidSettings
from monitor.times import to_rfc3339

if TYPE_CHECKING:
    from monitor.engine.event_tier import EventTier

STEP_S = 60.0     # running time before an isolation is known in which dP may have moved by it
APART = 1.3       # times the resistance of the next, from which a vessel is clearly the most loaded
LIFE = "life"     # first word of the facts


def basis(skid: SkidSettings, state: np.record) -> Skid:
    """state: the row tier's record of the skid."""
    limit = skid.alarms["changeout-due"].limit
    assumed = LIKELY_TURBULENT * turbulent_part(skid.element.clean_dp, skid.element.changeout_dp)
    return Skid(skid.element.changeout_dp if limit is None else limit, bool(skid.with_role(Role.FLOW)),
                float(state["turbulent"]) or assumed)  # fmt: skip


def sampled(emission: Emission, skid: SkidSettings, story: Story, rows: RowTier, told: Told) -> None:
    """One spell of running is over."""
    state, watch = rows.state.skid[emission.skid], story.forecast
    sample = Sample(emission.time, float(state["running"]), float(state["volume"]), emission.value)
    if emission.detail == 1:
        row = stand(watch, basis(skid, state), emission.time, unsettled=story.phase != NORMAL)
        if row is not None and not torn(story):
            told.forecasts.append(ForecastRow(row.time, skid.id, row.p10, row.p50, row.p90))
        return
    row = take(watch, basis(skid, state), sample, clean=story.clean[0], unsettled=story.phase != NORMAL)
    rows.state.loading[emission.skid]["spell"] = spell(watch)
    if story.phase == NORMAL and math.isfinite(sample.dp):
        weigh_loading(skid, story, basis(skid, state), rows.state, emission, told)
    if row is None:
        watch.near_since = 0
        return
    if torn(story):
        watch.silence, watch.latest = "an element is likely torn: dP no longer tells of its load", None
        return
    told.forecasts.append(ForecastRow(row.time, skid.id, row.p10, row.p50, row.p90))
    weigh_notice(skid, story, rows, emission.skid, row, told)


def torn(story: Story) -> bool:
    """Whether an element is likely torn: dP no longer tells of its load."""
    return story.breach.standing is not None and story.breach.standing.grade == "likely"


def weigh_notice(skid: SkidSettings, story: Story, rows: RowTier, i: int, row: Row, told: Told) -> None:
    """Raise `changeout-forecast` once the point is inside the notice period for the on-delay; take it back only where
    it is far off again."""
    settings, watch = skid.alarms["changeout-forecast"], story.forecast
    if not settings.enabled and not watch.raised:
        return
    notice = notice_hours(watch, row, notice=settings.extra["notice"] / 3600, share=settings.extra["life_share"])
    move = weigh(watch, row, notice, round(settings.on_delay_s * NS))
    if move is Move.TAKE_BACK:
        told.events.append(cleared_event(skid, row.time, row.p50, "it is further off than had been foreseen"))
    elif move is Move.RAISE:
        told.events.append(near_event(skid, outlook_of(skid, story, rows, i, row, notice), watch.near_since))


def outlook_of(skid: SkidSettings, story: Story, rows: RowTier, i: int, row: Row, notice: float) -> Outlook:
    """What a message about the forecast rests on."""
    watch = story.forecast
    run = change_on_the_run(watch, basis(skid, rows.state.skid[i]), in_service=skid.in_service,
                            max_dp=skid.element.max_dp, time=row.time)  # fmt: skip
    return Outlook(row, notice, watch, run, first_vessel(skid, story))


def first_vessel(skid: SkidSettings, story: Story) -> First | None:
    """The most loaded vessel, where they were told apart clearly; else the one that was changed longest ago."""
    known = [m.resistance for m in story.vessels]
    if len(story.vessels) < 2 or skid.in_service < len(skid.vessels):
        return None
    if all(known):
        found = np.array([r or 0.0 for r in known])
        if found.max() > APART * np.sort(found)[-2]:
            return First(skid.vessels[int(np.argmax(found))], "it was the most loaded when they were last told apart")
    ages = [m.returned_at for m in story.vessels]
    return First(skid.vessels[int(np.argmin([a or 0 for a in ages]))], "it has served longest") if all(ages) else None


def plan_of(skid: SkidSettings, story: Story, rows: RowTier, i: int) -> Plan:
    """What follows from the forecast as it stands."""
    watch, at = story.forecast, basis(skid, rows.state.skid[i])
    elements = skid.in_service * skid.element.per_vessel
    run = change_on_the_run(watch, at, in_service=skid.in_service, max_dp=skid.element.max_dp, time=watch.until)
    needs = elements_needed(watch, elements=elements)
    points = other_points(watch, at, month=needs[-1].expected, max_dp=skid.element.max_dp) if needs else []
    return Plan(watch, run, first_vessel(skid, story), needs, points)


def alarm_seen(emission: Emission, skid: SkidSettings, story: Story, rows: RowTier) -> None:
    """`changeout-due` was raised or cleared."""
    if emission.alarm == codes.DUE and story.forecast.began:
        if emission.code == codes.RAISED:
            reached(story.forecast, basis(skid, rows.state.skid[emission.skid]), emission.time)
        elif story.phase == NORMAL:
            receded(story.forecast)
        else:
            story.forecast.doubted = True     # the verdict on the changeout tells


def isolated(skid: SkidSettings, story: Story, rows: RowTier, i: int) -> None:
    """A vessel has left, which is known some seconds afterwards: what was taken meanwhile is none of the curve's."""
    loading = rows.state.loading[i]
    loading["seconds"], loading["known"], loading["total"] = 0, 0, 0.0
    drop_latest(story.forecast, basis(skid, rows.state.skid[i]), STEP_S)


def returned(story: Story, state: np.record, time: int) -> None:
    """A vessel came back: from here on samples wait for the verdict."""
    story.forecast.returned = (time, float(state["running"]), float(state["volume"]))
    story.forecast.held = []


def resumed(story: Story) -> None:
    """It had not come back after all."""
    story.forecast.returned, story.forecast.held = None, []


def not_changed(skid: SkidSettings, story: Story, state: np.record) -> None:
    unchanged(story.forecast, basis(skid, state), story.clean[0])


def was_changed(skid: SkidSettings, story: Story, told: Told, rows: RowTier, i: int, time: int,
                by: ToldChange | None) -> None:
    """A vessel was changed: its life ends, a run begins. by: what somebody told of it."""
    changed(story.forecast, basis(skid, rows.state.skid[i]), story.isolated_at, story.clean[0])
    vessel, lived = story.vessel, story.lived
    if vessel is None and by is not None:
        vessel, lived = by.vessel, story.vessels[by.vessel]
    _life_over(skid, story, told, rows, i, time, Ended(vessel, lived, story.isolated_at))


def changed_as_told(skid: SkidSettings, story: Story, told: Told, rows: RowTier, i: int, change: ToldChange,
                    time: int) -> None:
    """A vessel was changed and nothing was seen of it: its life ends, and unless dP told of new elements since, a run
    begins."""
    watch = story.forecast
    if watch.began and watch.began < change.at:
        changed_unseen(watch, basis(skid, rows.state.skid[i]), change.at, time, story.clean[0])
    _life_over(skid, story, told, rows, i, time, Ended(change.vessel, story.vessels[change.vessel], change.at))


class Ended(NamedTuple):
    """A life that is over. vessel: position; lived: its memory, each None where not known; until: when [ns]."""

    vessel: int | None
    lived: VesselMemory | None
    until: int


def _life_over(skid: SkidSettings, story: Story, told: Told, rows: RowTier, i: int, time: int, ended: Ended) -> None:
    watch = story.forecast
    rows.state.loading[i]["spell"] = spell(watch)
    watch.near_since = 0
    if watch.raised:
        watch.raised = False
        score = watch.main.score if watch.main is not None else None
        told.events.append(cleared_event(skid, time, None, "a vessel was changed", score))
    life = ended_life(skid, story, ended)
    if life is not None:
        told.lives.append(life)
        told.facts.append(Fact(skid.id, f"{LIFE}/{life.until}/{life.vessel or '-'}", written(life), time))


def ended_life(skid: SkidSettings, story: Story, ended: Ended) -> ElementLife | None:
    """The life of the element that was taken out; None where nothing was seen of it."""
    run = story.forecast.main
    if run is None:
        return None
    name = None if ended.vessel is None else skid.vessels[ended.vessel]
    lived = ended.lived if skid.in_service == len(skid.vessels) else None
    since = None if lived is None else lived.returned_at
    whole = lived is not None and since is not None
    life = element_life(
        skid, run, vessel=name, since=since, until=ended.until, ended=DUE if run.due else EARLY,
        hours=lived.running_s / 3600 if lived is not None and whole else None,
        volume=lived.volume if lived is not None and whole else None,
    )  # fmt: skip
    return life if ended.lived is None else fitted(life, ended.lived)


def fitted(life: ElementLife, memory: VesselMemory) -> ElementLife:
    """With what somebody told was fitted when the life began."""
    return msgspec.structs.replace(life, part=memory.part or life.part, fitted_by=memory.fitted_by)


def element_life(
    skid: SkidSettings, run: Run, *, vessel: str | None, since: int | None, until: int, ended: str, hours: float | None,
    volume: float | None,
) -> ElementLife:
    by_volume = bool(skid.with_role(Role.FLOW))
    limit = skid.alarms["changeout-due"].limit or skid.element.changeout_dp
    per = 1.0 if by_volume else 3600.0
    return ElementLife(
        skid=skid.id, vessel=vessel, part=skid.element.part, since=None if since is None else to_rfc3339(since),
        until=to_rfc3339(until), ended=ended, hours=None if hours is None else round(hours, 4),
        volume_m3=None if volume is None else float(f"{volume:.6g}"),
        changeout_dp_bar=round(limit / BAR, 6), run=to_rfc3339(run.began), run_began=run.began,
        run_hours=round(run.hours, 5), run_total=float(f"{run.total / per:.6g}"), whole=run.whole,
        unit="m3" if by_volume else "h", curve=curve_of(run.points, per),
        forecast_score=None if run.score is None else {"inside": run.score.inside, "median_error_pct": run.score.error},
    )  # fmt: skip


def open_lives(skid: SkidSettings, story: Story) -> list[ElementLife]:
    """Lives that have not ended, as they stand: one for each vessel in service, with the run they share."""
    watch = story.forecast
    if len(watch.points) < 2:
        return []
    end = watch.until
    run = Run(watch.began, watch.due is not None, ((watch.due[0] if watch.due else end) - watch.began) / 3.6e12,
              position_of_end(watch), watch.points, watch.whole is True)  # fmt: skip
    if skid.in_service < len(skid.vessels):     # which of them stood by is not known
        ended = DUE if run.due else RUNNING
        return [element_life(skid, run, vessel=None, since=None, until=end, ended=ended, hours=None, volume=None)]
    ran, carried = watch.seen[0] - story.running_mark, watch.seen[1] - story.volume_mark    # not credited yet
    lives = []
    for name, memory in zip(skid.vessels, story.vessels, strict=True):
        known = memory.returned_at is not None or run.whole
        volume = None if memory.volume is None else memory.volume + carried / skid.in_service
        since = run.began if memory.returned_at is None and run.whole else memory.returned_at
        life = element_life(
            skid, run, vessel=name, since=since, until=end, ended=DUE if run.due else RUNNING,
            hours=(memory.running_s + ran) / 3600 if known else None, volume=volume if known else None)  # fmt: skip
        lives.append(fitted(life, memory))
    return lives


def take_life(tier: EventTier, i: int, fact: Fact) -> None:
    """An earlier life given back. ValueError where it cannot be used."""
    if not recall_life(tier.skids[i], tier.rows.state.skid[i], tier.stories[i], read(fact.value)):
        raise ValueError(fact.key)


def recall_life(skid: SkidSettings, state: np.record, story: Story, life: ElementLife) -> bool:
    """Into the memory with a life; False where it is of another part or cannot be compared."""
    if life.part and skid.element.part and life.part != skid.element.part:
        return False
    if len(life.curve) < 4:
        return False
    mine = basis(skid, state)
    per = 1.0 if life.unit == "m3" else 3600.0
    if (life.unit == "m3") != mine.by_volume:
        return False
    remember(story.forecast, past_of(life, mine.limit, per, mine.turbulent, story.clean[0]))
    return True
