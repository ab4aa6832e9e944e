"""The check after a changeout: its verdict, what is told of it, and what it teaches.

Levels before, during and after, and those of the changeouts remembered, go through one fit (`verification`).
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from monitor.engine import forecasting, relief
from monitor.engine.breach import made_good, not_returned
from monitor.engine.closures import in_changeout
from monitor.engine.learned import note_clean, note_turbulent
from monitor.engine.look_back import Level
from monitor.engine.messages_changeout import Changeout, done_event, suspect_cleared, suspect_event
from monitor.engine.posterior import SPREAD
from monitor.engine.proof import held_full, nothing_came_back, proved_by_headers
from monitor.engine.story import NORMAL, PackedChange, SeenChange, ToldChange, change_of, pack, unpack
from monitor.engine.told_changes import claim, record
from monitor.engine.verification import (
    KNOWN_TURBULENT,
    LIKELY_TURBULENT,
    TURBULENT_ERROR,
    Finding,
    Reference,
    Site,
    misfit,
    usable,
    verify,
)
from monitor.hydraulics.network_fit import Prior
from monitor.model import NS, Role
from monitor.skid import SkidSettings

if TYPE_CHECKING:
    from monitor.engine.event_tier import Teller

REMEMBERED = 6            # changeouts before this one that are fitted with it
VAGUE = 0.2               # relative error of a clean reference above which any element sharpens it
SUREST_CLEAN, SUREST_TURBULENT = 0.015, 0.08    # relative errors below which nothing is taken as known
GAIN_ERROR = 0.0008       # relative, standard error of a transmitter's gain. Common practice, no source
SETTLED = 0.2             # error of ln(turbulent part) below which the fitted one replaces the assumed


def conclude(teller: Teller, time: int, *, interrupted: bool = False) -> None:
    """A vessel has come back and its level is known, or time is up, or the next one has left: was it changed, and how
    does it check?"""
    story = teller.story
    before, after = unpack(story.before), teller.after(time, interrupted=interrupted)
    story.after = pack(after)
    change = PackedChange(
        slot=0, time=story.returned_at, before=pack(teller.corrected(before)),
        isolated=pack(_alone(teller, before, unpack(story.isolated))), after=pack(teller.corrected(after)),
        helped=story.helped and usable(unpack(story.isolated)), usual=story.usual,
        lasting=(story.returned_at - story.isolated_at) / (3600 * NS),
    )  # fmt: skip
    if not story.changes:
        story.base, story.base_turbulent = story.clean, _known_turbulent(teller)
    finding = _verify(teller, change)
    proved, usual = story.opened or proved_by_headers(teller, finding), teller.corrected(before)
    waits = held_full(teller, finding, time) if story.opened else not proved and nothing_came_back(teller, time)
    if usual is not None and waits and not interrupted:
        teller.still_out(teller.referred(usual), time)
        return
    story.phase = NORMAL
    looked_back, story.looked_back = story.looked_back, False
    if not proved:
        forecasting.not_changed(teller.skid, story, teller.state)
        if looked_back:
            not_returned(teller, teller.corrected(unpack(story.isolated)), teller.corrected(after), time)
        return
    if change.helped:
        relief.changed(teller, unpack(change.isolated), finding.after)
    by = claim(story, story.vessel, story.isolated_at, story.returned_at)
    _tell(teller, time, finding, before, after, by, _place_name(teller, change))
    forecasting.was_changed(teller.skid, story, teller.told, teller.rows, teller.index, time, by)
    record(teller, SeenChange(story.vessel, story.isolated_at, story.returned_at), by, time)
    made_good(teller, time)
    _remember(teller, change, finding, time, usual=by is None or not teller.is_other_part(by.part))


def _alone(teller: Teller, before: Level | None, isolated: Level | None) -> Level | None:
    """The level of the rest alone; none where it is below that of all together: then the vessel was back unseen."""
    together, alone = teller.corrected(before), teller.corrected(isolated)
    if together is None or alone is None or teller.story.helped:
        return alone
    return alone if teller.referred(alone) > teller.referred(together) else None


def _known_turbulent(teller: Teller) -> tuple[float, float]:
    if teller.state.turbulent > 0:
        error = max(min(teller.story.turbulent_error, KNOWN_TURBULENT), SUREST_TURBULENT)
        return float(teller.state.turbulent), error
    return LIKELY_TURBULENT * teller.assumed, TURBULENT_ERROR


def _site(teller: Teller, change: PackedChange) -> Site:
    story = teller.story
    clean, turbulent = story.base, story.base_turbulent
    for passed in story.changes[: len(story.changes) - len(_alongside(teller, change))]:
        clean, turbulent = passed.clean or clean, passed.turbulent or turbulent
    assert clean is not None
    assert turbulent is not None
    return Site(
        teller.skid.in_service, Prior(*turbulent), Reference(*clean), _zero_error_at(teller, change),
        flow=flow_known(teller.skid), temperature=bool(teller.skid.with_role(Role.TEMPERATURE)),
        idle_outlet=math.nan if story.idle_outlet is None else story.idle_outlet, helpers=int(change.helped),
    )  # fmt: skip


def _alongside(teller: Teller, change: PackedChange) -> list[PackedChange]:
    """The changes before it that are fitted with it: those since a standby last stood in. Then places are not what they
    were, so each such change stands for itself."""
    before = teller.story.changes
    apart = [k for k, c in enumerate(before) if c.helped]
    return [] if change.helped else before[apart[-1] + 1 :] if apart else before


def _zero_error_at(teller: Teller, change: PackedChange) -> float:
    """Of dP at the pressures of a change: besides the zeros, which a stop may have shown, a pair's gains differ."""
    after = unpack(change.after) or unpack(change.isolated)
    if after is None or not math.isfinite(after.outlet) or teller.skid.with_role(Role.DIFFERENTIAL_PRESSURE):
        return teller.zero_error()
    idle = teller.story.idle_outlet if teller.state.idle_offset_known > 0 else None
    return math.hypot(teller.zero_error(), math.sqrt(2) * GAIN_ERROR * (after.outlet - (idle or 0.0)))


def _verify(teller: Teller, change: PackedChange) -> Finding:
    """The change with those remembered before it."""
    suspect, site = teller.skid.alarms["changeout-suspect"].extra, _site(teller, change)
    _place(teller, change, site)
    together = [change_of(c) for c in (*_alongside(teller, change), change)]
    return verify(together, site, (suspect["low"], suspect["high"]))


def _place(teller: Teller, change: PackedChange, site: Site) -> None:
    """Which of those in service it was: its own pressure tells, else the place with which all levels fit best."""
    vessel, before = teller.story.vessel, [change_of(c) for c in _alongside(teller, change)]
    if vessel is not None and site.places == len(teller.skid.vessels):
        change.slot = vessel
    elif before and change.isolated is not None and change.after is not None:
        last = change_of(change)
        trials = [misfit([*before, replace(last, slot=k)], site) for k in range(site.places)]
        change.slot = int(np.argmin(trials))


def _tell(teller: Teller, time: int, finding: Finding, before: Level | None, after: Level | None,
          by: ToldChange | None, place: str) -> None:
    story, skid = teller.story, teller.skid
    name = None if story.vessel is None else skid.vessels[story.vessel]
    whole = story.lived is not None and story.lived.returned_at is not None
    life = story.lived if whole and skid.in_service == len(skid.vessels) else None
    changeout = Changeout(
        skid=skid.id, vessel=name, isolated_at=story.isolated_at, returned_at=story.returned_at,
        running_s=life.running_s if life else None, volume=life.volume if life else None,
        drop_before=teller.referred(before) if before else math.nan,
        drop_after=teller.referred(after) if after else math.nan,
        finding=finding, opened=story.opened, closure=in_changeout(skid, story, name),
        by=by,
    )  # fmt: skip
    teller.told.changeouts.append(changeout)
    teller.told.events.append(done_event(skid, changeout, time, story.clean, flow_known(skid)))
    _suspect(teller, time, changeout, place)


def _place_name(teller: Teller, change: PackedChange) -> str:
    """The vessel, or the place that the levels give it; beside a standby they give none that lasts."""
    if teller.story.vessel is not None:
        return teller.skid.vessels[teller.story.vessel]
    return f"changed at {change.time}" if change.helped else f"place {change.slot}"


def _suspect(teller: Teller, time: int, changeout: Changeout, place: str) -> None:
    """Raise what failed the check; what stood against the same vessel before is answered by a good one."""
    verdict = changeout.finding.verdict
    if verdict in ("good", "resistance-low", "resistance-high"):
        stood = [s for s in teller.story.suspect if s[0] == place]
        teller.story.suspect = [s for s in teller.story.suspect if s[0] != place]
        for _, detail in stood:
            if detail != verdict:
                teller.told.events.append(suspect_cleared(teller.skid, changeout, detail, time))
        if verdict != "good":
            teller.story.suspect.append((place, verdict))
            if (place, verdict) not in stood:
                teller.told.events.append(suspect_event(teller.skid, changeout, time))


def _remember(teller: Teller, change: PackedChange, finding: Finding, time: int, *, usual: bool) -> None:
    """Keep a change for the next ones to be seen with, and what it has taught; an element that was found good is
    from now on known to be alike the others. usual: as far as anybody told, it is of the configured part."""
    change.alike = usual and finding.verdict == "good"
    story = teller.story
    if finding.clean is not None:
        change.clean = (finding.clean.value, max(finding.clean.error, SUREST_CLEAN))
        change.turbulent = (finding.turbulent, max(finding.turbulent_error, SUREST_TURBULENT))
    story.changes = [*story.changes, change]
    if len(story.changes) > REMEMBERED:
        forgotten = story.changes.pop(0)
        story.base = forgotten.clean or story.base
        story.base_turbulent = forgotten.turbulent or story.base_turbulent
    _renew(teller, finding, change.slot)
    if usual:
        _learn(teller, finding, change, time)


def _renew(teller: Teller, finding: Finding, slot: int) -> None:
    """What each place shows now: the new element, and the others by the isolation."""
    story = teller.story
    if math.isfinite(finding.after):
        others = list(finding.others)
        story.places = [*others[:slot], finding.after, *others[slot:]]
    if story.vessel is None or relief.has_standby(teller):
        return
    if len(story.places) == len(story.vessels):
        for memory, resistance in zip(story.vessels, story.places, strict=True):
            memory.resistance = resistance


def _learn(teller: Teller, finding: Finding, change: PackedChange, time: int) -> None:
    """Sharpen the clean reference by an element that was found good, or that nothing could be held against; and
    the turbulent part, which the row tier refers dP by."""
    # Where flow's swings have told it, they told it together with how cake packs: the two are not mixed.
    if not teller.state["clean"] and finding.turbulent_error < SETTLED:
        teller.state.turbulent = finding.turbulent
        note_turbulent(teller, finding.turbulent, finding.turbulent_error, "changeouts", time)
    if change.clean is None or not (change.alike or teller.story.clean[1] > VAGUE):
        return
    teller.story.clean = change.clean
    note_clean(teller, finding, SPREAD, time)


def flow_known(skid: SkidSettings) -> bool:
    return bool(skid.with_role(Role.FLOW))
