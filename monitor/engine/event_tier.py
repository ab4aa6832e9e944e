"""The event tier: what the row tier emits becomes the story of a skid, and events.

Plain Python, run only when something was emitted. It may change fields of the row tier's state, in
effect from the next row, so that chunking never shows.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Any

import msgspec
import numpy as np

from monitor.engine import forecasting, layout
from monitor.engine.breach import answered, not_returned, one_header_alone, weigh
from monitor.engine.events import alarm_event
from monitor.engine.integrity import KINDS_TOLD, integrity_events
from monitor.engine.learned import note_clean, note_turbulent, recall
from monitor.engine.look_back import BLOCK, Level, growth, level
from monitor.engine.messages_changeout import Changeout, done_event, suspect_cleared, suspect_event
from monitor.engine.messages_signal import signal_event
from monitor.engine.posterior import SPREAD
from monitor.engine.repressurised import repressurised
from monitor.engine.resolution import zero_error
from monitor.engine.row_tier import Emission, RowTier
from monitor.engine.separation import follow_swings
from monitor.engine.story import (
    ISOLATED,
    NORMAL,
    RETURNED,
    PackedChange,
    Story,
    VesselMemory,
    change_of,
    pack,
    unpack,
)
from monitor.engine.told import Answer, Told
from monitor.engine.trims import approve, follow_zero, undo
from monitor.engine.verification import (
    KNOWN_TURBULENT,
    LIKELY_TURBULENT,
    TURBULENT_ERROR,
    Finding,
    Reference,
    Site,
    misfit,
    verify,
)
from monitor.hydraulics.network_fit import Prior
from monitor.hydraulics.pressure_drop import CLEAN_SHARE, normalised, uncompressed
from monitor.model import NS, Action, Fact, Role, SkidSettings

STEP_S = 40               # before the moment an isolation is known, the levels may already have moved
BEFORE_S = 90             # span of the level before it
ISOLATED_S = 480          # span of the level during it, up to shortly before the return: filling draws flow for a part
RETURN_S = 25
FILLING_S = 110           # before the return, in which filling may draw flow
MOST_GROWTH = 0.2         # of ln(resistance), from the level during an isolation to the one after it
LOOK_S = 150              # how long after settling the level after a return is watched
AGAIN_S = 60
ENOUGH_BLOCKS = 10
REMEMBERED = 6            # changeouts before this one that are fitted with it
SLOW_S = 100              # a vessel that is found vented without a step seen was isolated about so long ago
SHEET_ERROR, UNKNOWN_ERROR = 0.035, 0.5   # relative, of a data sheet's clean dP, and of a guess
VAGUE = 0.2               # relative error of a clean reference above which any element sharpens it
SUREST_CLEAN, SUREST_TURBULENT = 0.015, 0.08    # relative errors below which nothing is taken as known
GAIN_ERROR = 0.0008       # relative, standard error of a transmitter's gain. Common practice, no source
FALLEN, FALLEN_UNKNOWN = 0.05, 0.08     # fall of ln(normalised dP) across an isolation that proves a new element from
CLEARLY = 4.0             # the headers alone, with a flow meter and without; and in standard errors
AGAINST = 0.3             # of dP's fall, at most this may a header have moved the wrong way
RISEN = 0.1               # rise of it that says that nothing came back
SETTLED = 0.2             # error of ln(turbulent part) below which the fitted one replaces the assumed
LIKE = 0.7                # of ln(resistance), between an isolated vessel's and what it had before
BLUR = 0.5                # error of ln(resistance) above which the headers prove nothing
NO_ELEMENT_SO_HIGH = 5.0  # ratio to clean: more than any element that was fitted badly
CLEAR_STEP = 0.08         # rise of ln(normalised dP) that an isolation long enough to be a changeout must have made


class EventTier:
    """Stories of all skids of one engine."""

    def __init__(self, skids: Sequence[SkidSettings], rows: RowTier) -> None:
        self.skids, self.rows = tuple(skids), rows
        self.stories = [new_story(s) for s in self.skids]

    def handle(self, emission: Emission) -> Told:
        """One emission of the row tier."""
        skid = self.skids[emission.skid]
        if emission.alarm in (layout.SIGNAL_FAULT, layout.REVERSE):
            return follow_zero(self, emission, Told([signal_event(emission, skid, self.rows)]))
        if emission.alarm == layout.FORECAST:
            told = Told()
            forecasting.sampled(emission, skid, self.stories[emission.skid], self.rows, told)
            return told
        if emission.alarm in KINDS_TOLD:
            return Told(integrity_events(emission, skid, self.rows))
        if emission.alarm not in (layout.SERVICE, layout.BREACH):
            forecasting.alarm_seen(emission, skid, self.stories[emission.skid], self.rows)
            event = alarm_event(emission, skid, self.rows)
            return Told([event])
        told = Told()
        teller = Teller(skid, self.stories[emission.skid], self.rows, emission.skid, told)
        teller.credit()
        if emission.alarm == layout.BREACH or (
            emission.code == layout.WAKE and emission.signal != layout.FOR_CHANGEOUT
        ):
            weigh(teller, emission)
            if emission.alarm == layout.SERVICE and emission.signal == layout.FOR_TRACE:
                follow_swings(teller, emission.time)
            return told
        if emission.code == layout.ISOLATED:
            teller.isolated(emission.time)
        elif emission.code == layout.RETURNED:
            teller.returned(emission.time)
        elif emission.code == layout.VENTED:
            teller.vented(emission.signal, emission.time, emptied=emission.detail == 1)
            if emission.detail == 0:
                come_back = repressurised(skid, teller.history, emission.signal, emission.value, emission.time)
                told.events += [] if come_back is None else [come_back]
        elif emission.code == layout.WAKE:
            teller.look_again(emission.time)
        return told

    def act(self, i: int, action: Action) -> Told:
        """One action of an operator; the story remembers its number."""
        self.stories[i].acted = max(self.stories[i].acted, action.number)
        take = ACTIONS.get(action.verb)
        if take is None:
            return Told(answers=[Answer(False, f"{action.verb} is no action; accepted: {', '.join(ACTIONS)}")])
        return take(self, i, action)

    def snapshot(self, i: int) -> dict[str, Any]:
        return dict(msgspec.to_builtins(self.stories[i]))

    def restore(self, i: int, content: Any) -> None:
        """msgspec.ValidationError where it does not fit."""
        self.stories[i] = msgspec.convert(content, Story)

    def recall(self, i: int, facts: Iterable[Fact]) -> list[str]:
        """What was learned, given back to a skid that starts afresh. Returns the keys that could not be used."""
        return recall(self, i, facts)

    def turbulent(self, i: int) -> float:
        """Turbulent part of a skid's dP [Pa] as the row tier takes it: found, else assumed."""
        return float(self.rows.state.skid[i].turbulent) or float(self.rows.parameters.skid[i].turbulent)


def new_story(skid: SkidSettings) -> Story:
    clean = skid.element.clean_dp
    reference = (CLEAN_SHARE * skid.element.changeout_dp, UNKNOWN_ERROR) if clean is None else (clean, SHEET_ERROR)
    return Story(vessels=[VesselMemory(volume=0.0 if skid.with_role(Role.FLOW) else None) for _ in skid.vessels],
                 clean=reference)  # fmt: skip


class Teller:
    """Carries the story of one skid on by one emission."""

    def __init__(self, skid: SkidSettings, story: Story, rows: RowTier, index: int, told: Told) -> None:
        self.skid, self.story, self.told = skid, story, told
        self.rows, self.index = rows, index
        self.state = rows.state.skid[index]
        self.history = rows.state.history[index]
        self.assumed = float(rows.parameters.skid[index]["turbulent"])
        self.turbulent = float(self.state["turbulent"]) or self.assumed
        self.own_pressures = {s.vessel for s in skid.with_role(Role.VESSEL_PRESSURE)}

    # ---- how much each vessel has carried

    def credit(self) -> None:
        """Add hours and volume since the last time to the vessels that carried them."""
        story, state = self.story, self.state
        running, carried = int(state["running"]), float(state["volume"])    # by name: an attribute costs ten times that
        ran, volume = running - story.running_mark, carried - story.volume_mark
        story.running_mark, story.volume_mark = running, carried
        if story.phase == ISOLATED and story.vessel is None:
            story.held = (story.held[0] + ran, story.held[1] + volume)
        else:
            self._share_out(ran, volume)

    def _release_held(self, known: bool) -> None:
        """It is known by now which vessel was out, or it was out too briefly to matter; else volumes are lost."""
        self._share_out(*self.story.held)
        self.story.held = (0, 0.0)
        if not known:
            for memory in self.story.vessels:
                memory.volume = None

    def _share_out(self, ran: int, volume: float) -> None:
        for memory, share in zip(self.story.vessels, self._shares(), strict=True):
            if share is None:
                memory.volume = None
            elif share > 0:
                memory.running_s += ran
                if memory.volume is not None:
                    memory.volume += volume * share

    def _shares(self) -> list[float | None]:
        """Of the skid's flow, by vessel: equal, but none through one that is known to be out."""
        vessels = self.story.vessels
        if self.skid.in_service < len(vessels):
            return [None] * len(vessels)  # which of them stands by is not known
        out = self.story.vessel if self.story.phase == ISOLATED else None
        conductance = [0.0 if v == out else 1.0 / (m.resistance or self.story.clean[0]) for v, m in enumerate(vessels)]
        known = all(m.resistance for m in vessels)
        total = sum(conductance) if known else sum(1.0 for v in range(len(vessels)) if v != out)
        return [(c if known else float(v != out)) / total for v, c in enumerate(conductance)]

    # ---- isolation, opening, return

    def isolated(self, time: int) -> None:
        if self.story.phase == RETURNED:
            self._conclude(time)
        self._begin(time, time - STEP_S * NS)

    def _begin(self, time: int, settled: int) -> None:
        story = self.story
        story.phase, story.vessel, story.opened = ISOLATED, None, False
        story.isolated_at, story.returned_at = time, 0
        story.before = pack(level(self.history, settled - BEFORE_S * NS, settled))
        story.isolated = None
        self.state.wake_at[layout.FOR_CHANGEOUT] = 0
        forecasting.isolated(self.skid, story, self.rows, self.index)

    def vented(self, vessel: int, time: int, *, emptied: bool) -> None:
        story = self.story
        if not emptied:
            return
        if story.phase != ISOLATED:
            if story.phase == RETURNED:
                self._conclude(time)
            self._begin(time - SLOW_S * NS, time - SLOW_S * NS)
            self._tell_row_tier(time)
        story.vessel, story.opened = vessel, True
        self._release_held(known=True)

    def _tell_row_tier(self, time: int) -> None:
        """An isolation that made no step is one all the same: the row tier is to look for the return."""
        now = level(self.history, time - 4 * BLOCK, time + BLOCK)
        before = unpack(self.story.before)
        if now is None or before is None or not self.state.flowing:
            return
        self.state.isolated_since = self.story.isolated_at
        self.state.level_before = self.referred(before)
        self.state.level_isolated = self.referred(now)

    def referred(self, at: Level) -> float:
        s = at.state
        plain = float(normalised(s.pressure_drop, s.flow, s.viscosity, s.density, self.turbulent))
        return float(uncompressed(s.pressure_drop, plain, float(self.state["clean"]), float(self.state["packing"])))

    def returned(self, time: int) -> None:
        story = self.story
        if story.phase != ISOLATED:
            return
        forecasting.returned(story, self.state, time)
        start = max(story.isolated_at + STEP_S * NS // 2, time - (ISOLATED_S + RETURN_S) * NS)
        story.isolated = pack(self._carried_on(start, time - RETURN_S * NS, time))
        story.returned_at = time
        if self.own_pressures and not story.opened:
            story.phase = NORMAL  # shut and opened again without being emptied: no changeout
            forecasting.not_changed(self.skid, story, self.state)
            self._release_held(known=True)
            return
        self._release_held(known=story.vessel is not None)
        story.phase, story.lived = RETURNED, None
        if story.vessel is not None:
            story.lived = story.vessels[story.vessel]
            story.vessels[story.vessel] = VesselMemory(time, 0.0, 0.0 if self.skid.with_role(Role.FLOW) else None)
        self.state.wake_at[layout.FOR_CHANGEOUT] = time + round((self._settle() + LOOK_S) * NS)

    def was_isolated(self, since: int, until: int, time: int) -> None:
        """A vessel has come back whose leaving is only seen now, looking back."""
        self._begin(since, since)
        forecasting.returned(self.story, self.state, time)
        start = max(since + RETURN_S * NS, until - ISOLATED_S * NS)
        self.story.isolated = pack(self._carried_on(start, until, time))
        self.story.returned_at, self.story.phase, self.story.lived = time, RETURNED, None
        self.story.looked_back = True
        for memory in self.story.vessels:
            memory.volume = None
        self.state.returned_at = time
        self.state.wake_at[layout.FOR_CHANGEOUT] = time + round((self._settle() + LOOK_S) * NS)

    def _carried_on(self, start: int, end: int, time: int) -> Level | None:
        """The level of the rest alone between two times, as it will be when the level after the return is taken: they
        load on meanwhile, at about half the rate from the return on."""
        alone = level(self.history, start, end)
        if alone is None:
            return None
        rate = max(growth(self.history, start, end - FILLING_S * NS), 0.0)
        ahead = (time - (start + end) / 2) / NS + 0.5 * (self._settle() + LOOK_S / 2)
        grown = math.exp(min(rate * ahead, MOST_GROWTH))
        return alone._replace(state=alone.state._replace(pressure_drop=alone.state.pressure_drop * grown))

    def _settle(self) -> float:
        return self.skid.alarms["changeout-due"].settle_s

    def look_again(self, time: int) -> None:
        """The level after a return may be known by now."""
        if self.story.phase != RETURNED:
            return
        latest = self.story.returned_at + round(self.skid.alarms["changeout-done"].extra["verdict"] * NS)
        after = self._after(time)
        if (after is None or after.blocks < ENOUGH_BLOCKS) and time + AGAIN_S * NS <= latest:
            self.state.wake_at[layout.FOR_CHANGEOUT] = time + AGAIN_S * NS
            return
        self._conclude(time)

    def _after(self, time: int) -> Level | None:
        return level(self.history, self.story.returned_at + round(self._settle() * NS), time + BLOCK)

    # ---- the verdict

    def _conclude(self, time: int) -> None:
        story = self.story
        before, after = unpack(story.before), self._after(time)
        story.after = pack(after)
        change = PackedChange(
            slot=0, time=story.returned_at, before=pack(self.corrected(before)),
            isolated=pack(self.corrected(unpack(story.isolated))), after=pack(self.corrected(after)),
        )  # fmt: skip
        if not story.changes:
            story.base, story.base_turbulent = story.clean, self._known_turbulent()
        finding = self._verify(change)
        story.phase = NORMAL
        looked_back, story.looked_back = story.looked_back, False
        if not story.opened and not self._proved_by_headers(finding):
            forecasting.not_changed(self.skid, story, self.state)
            if looked_back:
                not_returned(self, self.corrected(unpack(story.isolated)), self.corrected(after), time)
            return
        self._tell(time, finding, before, after)
        forecasting.was_changed(self.skid, story, self.told, self.rows, self.index, time)
        answered(self, time)
        self._remember(change, finding, time)

    def _known_turbulent(self) -> tuple[float, float]:
        if self.state.turbulent > 0:
            error = max(min(self.story.turbulent_error, KNOWN_TURBULENT), SUREST_TURBULENT)
            return float(self.state.turbulent), error
        return LIKELY_TURBULENT * self.assumed, TURBULENT_ERROR

    def _site(self, change: PackedChange) -> Site:
        story = self.story
        assert story.base is not None
        assert story.base_turbulent is not None
        return Site(
            self.skid.in_service, Prior(*story.base_turbulent), Reference(*story.base), self._zero_error_at(change),
            flow=flow_known(self.skid), temperature=bool(self.skid.with_role(Role.TEMPERATURE)),
            idle_outlet=math.nan if story.idle_outlet is None else story.idle_outlet,
        )  # fmt: skip

    def _verify(self, change: PackedChange) -> Finding:
        """The change with those remembered before it."""
        suspect, site = self.skid.alarms["changeout-suspect"].extra, self._site(change)
        self._place(change, site)
        return verify([change_of(c) for c in (*self.story.changes, change)], site, (suspect["low"], suspect["high"]))

    def _place(self, change: PackedChange, site: Site) -> None:
        """Which of those in service it was: its own pressure tells, else the place with which all levels fit best."""
        vessel, story = self.story.vessel, self.story
        if vessel is not None and site.vessels == len(self.skid.vessels):
            change.slot = vessel
        elif story.changes and change.isolated is not None and change.after is not None:
            before = [change_of(c) for c in story.changes]
            last = change_of(change)
            trials = [misfit([*before, replace(last, slot=k)], site) for k in range(site.vessels)]
            change.slot = int(np.argmin(trials))

    def corrected(self, at: Level | None) -> Level | None:
        if at is None:
            return None
        drop = at.state.pressure_drop - self.offset()
        flow = at.state.flow if math.isfinite(at.state.flow) else math.nan
        return at._replace(state=at.state._replace(pressure_drop=drop, flow=flow))

    def offset(self) -> float:
        """What dP reads with no flow: elevation between the taps, and the transmitters' zeros."""
        return float(self.state["idle_offset"]) if self.state["idle_offset_known"] > 0 else 0.0

    def zero_error(self) -> float:
        return zero_error(self.skid, self.state)

    def _zero_error_at(self, change: PackedChange) -> float:
        """Of dP at the pressures of a change: besides the zeros, which a stop may have shown, a pair's gains differ."""
        after = unpack(change.after) or unpack(change.isolated)
        if after is None or not math.isfinite(after.outlet) or self.skid.with_role(Role.DIFFERENTIAL_PRESSURE):
            return self.zero_error()
        idle = self.story.idle_outlet if self.state.idle_offset_known > 0 else None
        return math.hypot(self.zero_error(), math.sqrt(2) * GAIN_ERROR * (after.outlet - (idle or 0.0)))

    def _proved_by_headers(self, finding: Finding) -> bool:
        """Without the vessel's own pressure: the skid came back lower, or it was out too long for less."""
        before, after = self.corrected(unpack(self.story.before)), self.corrected(unpack(self.story.after))
        if before is None or after is None or self._stepped() <= 0.0:
            return False
        was, now = self.referred(before), self.referred(after)
        if not (0 < was < math.inf and 0 < now < math.inf):
            return False
        fall = math.log(was / now)
        least = FALLEN if flow_known(self.skid) else FALLEN_UNKNOWN
        if fall > max(least, CLEARLY * math.hypot(before.error, after.error)) and fell(before, after):
            return True
        if not math.isfinite(finding.error) or finding.error > BLUR or not self._plausible(finding.before):
            return False
        lasting = (self.story.returned_at - self.story.isolated_at) / NS
        if finding.measured > NO_ELEMENT_SO_HIGH or fall < -RISEN:
            return False
        return lasting >= self.skid.alarms["changeout-done"].extra["isolation"] and self._stepped() > CLEAR_STEP

    def _plausible(self, before: float) -> bool:
        """Whether the isolated vessel's resistance is one that a vessel here may have had: a step that something
        else made gives one out of all proportion."""
        known = [p for p in self.story.places if p]
        if known:
            return before > 0 and min(abs(math.log(before / p)) for p in known) < LIKE
        return 0 < before < 3 * self.skid.element.changeout_dp

    def _stepped(self) -> float:
        """Rise of ln(normalised dP) that the isolation made; 0 where one gauge alone may have moved."""
        before, isolated = unpack(self.story.before), unpack(self.story.isolated)
        if before is None or isolated is None:
            return 0.0
        share = 1 - before.state.pressure_drop / isolated.state.pressure_drop
        if one_header_alone(self.skid, isolated, before, share):
            return 0.0
        a, b = self.referred(before), self.referred(isolated)
        return math.log(b / a) if a > 0 and b > 0 else 0.0

    def _tell(self, time: int, finding: Finding, before: Level | None, after: Level | None) -> None:
        story, skid = self.story, self.skid
        name = None if story.vessel is None else skid.vessels[story.vessel]
        whole = story.lived is not None and story.lived.returned_at is not None
        life = story.lived if whole and skid.in_service == len(skid.vessels) else None
        changeout = Changeout(
            skid=skid.id, vessel=name, isolated_at=story.isolated_at, returned_at=story.returned_at,
            running_s=life.running_s if life else None, volume=life.volume if life else None,
            drop_before=self.referred(before) if before else math.nan,
            drop_after=self.referred(after) if after else math.nan,
            finding=finding, opened=story.opened,
        )  # fmt: skip
        self.told.changeouts.append(changeout)
        self.told.events.append(done_event(skid, changeout, time, story.clean, flow_known(skid)))
        self._suspect(time, changeout)

    def _suspect(self, time: int, changeout: Changeout) -> None:
        """Raise what failed the check; what stood against the same vessel before is answered by a good one."""
        verdict = changeout.finding.verdict
        if verdict in ("good", "resistance-low", "resistance-high"):
            stood = [s for s in self.story.suspect if s[0] == changeout.vessel]
            self.story.suspect = [s for s in self.story.suspect if s[0] != changeout.vessel]
            for _, detail in stood:
                if detail != verdict:
                    self.told.events.append(suspect_cleared(self.skid, changeout, detail, time))
            if verdict != "good":
                self.story.suspect.append((changeout.vessel, verdict))
                if (changeout.vessel, verdict) not in stood:
                    self.told.events.append(suspect_event(self.skid, changeout, time))

    def _remember(self, change: PackedChange, finding: Finding, time: int) -> None:
        """Keep a change for the next ones to be seen with, and what it has taught; an element that was found good is
        from now on known to be alike the others."""
        change.alike = finding.verdict == "good"
        story = self.story
        if finding.clean is not None:
            change.clean = (finding.clean.value, max(finding.clean.error, SUREST_CLEAN))
            change.turbulent = (finding.turbulent, max(finding.turbulent_error, SUREST_TURBULENT))
        story.changes = [*story.changes, change]
        if len(story.changes) > REMEMBERED:
            forgotten = story.changes.pop(0)
            story.base = forgotten.clean or story.base
            story.base_turbulent = forgotten.turbulent or story.base_turbulent
        self._renew(finding, change.slot)
        self._learn(finding, change, time)

    def _renew(self, finding: Finding, slot: int) -> None:
        """What each place shows now: the new element, and the others by the isolation."""
        story = self.story
        if math.isfinite(finding.after):
            others = list(finding.others)
            story.places = [*others[:slot], finding.after, *others[slot:]]
        if story.vessel is None:
            return
        if len(story.places) == len(story.vessels):
            for memory, resistance in zip(story.vessels, story.places, strict=True):
                memory.resistance = resistance

    def _learn(self, finding: Finding, change: PackedChange, time: int) -> None:
        """Sharpen the clean reference by an element that was found good, or that nothing could be held against; and
        the turbulent part, which the row tier refers dP by."""
        # Where flow's swings have told it, they told it together with how cake packs: the two are not mixed.
        if not self.state["clean"] and finding.turbulent_error < SETTLED:
            self.state.turbulent = finding.turbulent
            note_turbulent(self, finding.turbulent, finding.turbulent_error, "changeouts", time)
        if change.clean is None or not (change.alike or self.story.clean[1] > VAGUE):
            return
        self.story.clean = change.clean
        note_clean(self, finding, SPREAD, time)


def fell(before: Level, after: Level) -> bool:
    """Whether inlet went down and outlet up, as when resistance falls; one may stay flat, or not be known."""
    down, up = before.inlet - after.inlet, after.outlet - before.outlet
    if not math.isfinite(down + up):
        return True
    return down + up > 0 and min(down, up) > -AGAINST * (down + up)


def flow_known(skid: SkidSettings) -> bool:
    return bool(skid.with_role(Role.FLOW))


# What an operator can do that the engine must know, by verb.
ACTIONS: dict[str, Callable[[EventTier, int, Action], Told]] = {"trim-approve": approve, "trim-undo": undo}
