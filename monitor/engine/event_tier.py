"""The event tier: what the row tier emits becomes the story of a skid, and events.

Plain Python, run only when something was emitted. It may change fields of the row tier's state, in
effect from the next row, so that chunking never shows.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import msgspec

from monitor.engine import codes, forecasting, relief
from monitor.engine.breach import flow_came, weigh
from monitor.engine.check import conclude
from monitor.engine.clocks import compare_clocks
from monitor.engine.events import alarm_event
from monitor.engine.explained import MANY, flow_or_one, stands_yet
from monitor.engine.integrity import KINDS_TOLD, integrity_events
from monitor.engine.learned import note_isolation, recall
from monitor.engine.look_back import BLOCK, Level, growth, level
from monitor.engine.messages_signal import signal_event
from monitor.engine.proof import MOST_LOADED, STILL_OUT_S
from monitor.engine.repressurised import repressurised_event
from monitor.engine.resolution import zero_error
from monitor.engine.row_tier import Emission, RowTier
from monitor.engine.separation import follow_swings
from monitor.engine.story import (
    ISOLATED,
    NORMAL,
    RETURNED,
    PerhapsOut,
    Story,
    VesselMemory,
    pack,
    unpack,
)
from monitor.engine.told import Answer, Told
from monitor.engine.told_changes import CHANGED, follow_told, take_told
from monitor.engine.trims import approve, follow_zero, undo
from monitor.engine.unwatched import follow_silence
from monitor.forecast.watch import LONGEST_S
from monitor.hydraulics.pressure_drop import CLEAN_SHARE, normalised, uncompressed
from monitor.model import NS, Action, Fact, Role
from monitor.skid import SkidSettings

STEP_S = 40               # before the moment an isolation is known, the levels may already have moved
BEFORE_S = 90             # span of the level before it
ISOLATED_S = 480          # span of the level during it, up to shortly before the return: filling draws flow for a part
RETURN_S = 25
FILLING_S = 110           # before the return, in which filling may draw flow
MOST_GROWTH = 0.2         # of ln(resistance), from the level during an isolation to the one after it
LOOK_S = 150              # how long after settling the level after a return is watched
LEAST_S, HASTY_S = 90, 30 # span of a level that the next isolation cuts short, and how soon after a return it begins
FILLS_S, NOT_BACK = 180, 1.03       # within which filling is over, and level over the one before that is no return
AGAIN_S = 60
GIVE_UP_S = 4 * 3600      # after which a vessel of a skid with a standby that was not seen to be opened stands by
LEFT_OUT_S = 12 * 3600    # that a vessel is left out of service, at most. Common practice, no source
ENOUGH_BLOCKS = 10
SLOW_S = 100              # a vessel that is found vented without a step seen was isolated about so long ago
SHEET_ERROR, UNKNOWN_ERROR = 0.035, 0.5   # relative, of a data sheet's clean dP, and of a guess


class EventTier:
    """Stories of all skids of one engine."""

    def __init__(self, skids: Sequence[SkidSettings], rows: RowTier) -> None:
        self.skids, self.rows = tuple(skids), rows
        self.stories = [new_story(s) for s in self.skids]
        self.forecasts = True    # tuning does without where no label is about them: nothing else rests on them

    def handle(self, emission: Emission) -> Told:
        """One emission of the row tier."""
        skid = self.skids[emission.skid]
        if emission.alarm in (codes.SIGNAL_FAULT, codes.REVERSE):
            follow_silence(skid, self.stories[emission.skid], emission)
            return follow_zero(self, emission, Told([signal_event(emission, skid, self.rows)]))
        if emission.alarm == codes.CLOCK:
            return compare_clocks(self, emission)
        if emission.alarm == codes.BACK:
            return Told([repressurised_event(emission, skid, self.rows)])
        if emission.alarm == codes.FORECAST:
            told = Told()
            if self.forecasts:
                forecasting.sampled(emission, skid, self.stories[emission.skid], self.rows, told)
            else:
                self.rows.state.loading[emission.skid]["spell"] = LONGEST_S
            return told
        if emission.alarm in KINDS_TOLD:
            return Told(integrity_events(emission, skid, self.rows, self.stories[emission.skid]))
        if emission.alarm not in (codes.SERVICE, codes.BREACH):
            if self.forecasts:
                forecasting.alarm_seen(emission, skid, self.stories[emission.skid], self.rows)
            event = alarm_event(emission, skid, self.rows)
            return Told([event])
        told = Told()
        teller = self.teller(emission.skid, told)
        teller.credit()
        self._story_on(teller, emission)
        follow_told(teller, emission.time)
        return told

    def teller(self, i: int, told: Told) -> Teller:
        return Teller(self.skids[i], self.stories[i], self.rows, i, told)

    def _story_on(self, teller: Teller, emission: Emission) -> None:
        if emission.alarm == codes.BREACH or (
            emission.code == codes.WAKE and emission.signal != codes.FOR_CHANGEOUT
        ):
            if emission.code == codes.STARTED:
                teller.flows_again(emission.onset)
            weigh(teller, emission)
            if emission.alarm == codes.SERVICE and emission.signal == codes.FOR_TRACE:
                follow_swings(teller, emission.time)
            return
        if emission.code == codes.ISOLATED:
            teller.isolated(emission.time)
        elif emission.code == codes.RETURNED:
            teller.returned(emission.time)
        elif emission.code == codes.VENTED:
            teller.vented(emission.signal, emission.time, emptied=emission.detail == 1)
        elif emission.code == codes.WAKE:
            teller.look_again(emission.time)

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
            if self._only_filled(time):
                return
            conclude(self, time, interrupted=True)
        if relief.left_again(self, time) or self._only_started(time):
            return
        self._begin(time, time - STEP_S * NS)
        risen, usual = float(self.state.level_isolated), float(self.state.level_before)
        self.story.step = math.log(risen / usual) if risen > 0 and usual > 0 else 0.0

    def _only_started(self, time: int) -> bool:
        """What rose was flow that came back, where no meter tells and pressures had moved before it."""
        idle = self.corrected(level(self.history, time - (STEP_S + BEFORE_S) * NS, time - STEP_S * NS))
        if idle is None or not stands_yet(self, idle):
            return False
        self.state.isolated_since = 0
        flow_came(self, time)
        return True

    def _only_filled(self, time: int) -> bool:
        """What fell was flow that filled the vessel, not its return: the level had not come back, and now is up again.
        The isolation then goes on."""
        story, before = self.story, self.corrected(unpack(self.story.before))
        if self.own_pressures or before is None or time - story.returned_at > FILLS_S * NS:
            return False
        usual = self.referred(before)
        if not float(self.state.level_before) > NOT_BACK * usual:
            return False
        self.still_out(usual, time)
        return True

    def still_out(self, usual: float, time: int) -> None:
        """What was taken for a return was none: the isolation goes on. usual: normalised dP before it [Pa]."""
        story = self.story
        if story.vessel is not None and story.lived is not None:
            story.vessels[story.vessel], story.lived = story.lived, None
        story.phase, story.returned_at, story.isolated = ISOLATED, 0, None
        self.state.isolated_since, self.state.level_before = story.isolated_at, usual
        self._wake_to_give_up(time)
        note_isolation(self, time)
        forecasting.resumed(story)

    def _wake_to_give_up(self, time: int) -> None:
        lasting = GIVE_UP_S if relief.has_standby(self) else STILL_OUT_S
        self.state.wake_at[codes.FOR_CHANGEOUT] = max(self.story.isolated_at + lasting * NS, time + NS)

    def _begin(self, time: int, settled: int) -> None:
        story = self.story
        story.phase, story.vessel, story.opened = ISOLATED, None, False
        story.isolated_at, story.returned_at = time, 0
        story.before = pack(level(self.history, settled - BEFORE_S * NS, settled))
        story.isolated = None
        relief.lapse(self, time)
        story.helped = story.relief is not None or self.skid.in_service == 1
        story.perhaps_out, story.step = None, 0.0
        self._wake_to_give_up(time)
        note_isolation(self, time)
        forecasting.isolated(self.skid, story, self.rows, self.index)

    def vented(self, vessel: int, time: int, *, emptied: bool) -> None:
        story = self.story
        if not emptied:
            return
        if story.phase != ISOLATED:
            if story.phase == RETURNED:
                conclude(self, time, interrupted=True)
            self._begin(time - SLOW_S * NS, time - SLOW_S * NS)
            self._tell_row_tier(time)
        story.vessel, story.opened = vessel, True
        note_isolation(self, time)
        self._release_held(known=True)

    def _tell_row_tier(self, time: int) -> None:
        """An isolation that made no step is one all the same: the row tier is to look for the return."""
        now = level(self.history, time - 4 * BLOCK, time + BLOCK)
        now, before = self.corrected(now), self.corrected(unpack(self.story.before))
        if now is None or before is None or not self.state.flowing:
            return
        self.state.isolated_since = self.story.isolated_at
        self.state.level_before = self.referred(before)
        self.state.level_isolated = self.referred(now)

    def referred(self, at: Level, turbulent: float | None = None) -> float:
        """dP [Pa] at reference conditions. turbulent: its part that goes with the square of flow, if not as known."""
        s, part = at.state, self.turbulent if turbulent is None else turbulent
        plain = float(normalised(s.pressure_drop, s.flow, s.viscosity, s.density, part))
        return float(uncompressed(s.pressure_drop, plain, float(self.state["clean"]), float(self.state["packing"])))

    def flows_again(self, time: int) -> None:
        """A vessel that was opened while nothing flowed, its own the only path: no step told the row tier to look for
        its return, and flow that is back tells it."""
        story, state = self.story, self.state
        opened = story.phase == ISOLATED and story.opened and state.isolated_since == 0
        if not opened or story.vessel is None or state.vented & (1 << story.vessel):
            return
        state.returned_at = time
        self.returned(time)
        story.isolated = None       # without flow there is no level of the rest

    def returned(self, time: int) -> None:
        story = self.story
        if story.phase != ISOLATED:
            return
        forecasting.returned(story, self.state, time)
        start = max(story.isolated_at + STEP_S * NS // 2, time - (ISOLATED_S + RETURN_S) * NS)
        story.isolated = pack(self._carried_on(start, time - RETURN_S * NS, time))
        if story.isolated is None and not self.own_pressures and self.skid.in_service >= MANY:
            # Seen only as it came back: what stood before was the level without it.
            self.was_isolated(time - ISOLATED_S * NS, story.isolated_at - STEP_S * NS, time, seen=False)
            return
        story.returned_at = time
        note_isolation(self, time)
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
        self.state.wake_at[codes.FOR_CHANGEOUT] = time + round((self._settle() + LOOK_S) * NS)

    def was_isolated(self, since: int, until: int, time: int, *, seen: bool = True,
                     out: PerhapsOut | None = None) -> None:
        """A vessel has come back whose leaving is only seen now, looking back, or never was: then `since` is the
        earliest that it can have left, and the level before that is not known. out: it left hours ago."""
        self._begin(since, since)
        if not seen:
            self.story.before = None
        if out is not None:
            self.story.before = out.before
        forecasting.returned(self.story, self.state, time)
        start = max(since + RETURN_S * NS, until - ISOLATED_S * NS)
        self.story.isolated = pack(self._carried_on(start, until, time))
        self.story.returned_at, self.story.phase, self.story.lived = time, RETURNED, None
        self.story.looked_back = True
        for memory in self.story.vessels:
            memory.volume = None
        self.state.returned_at = time
        note_isolation(self, time)
        self.state.wake_at[codes.FOR_CHANGEOUT] = time + round((self._settle() + LOOK_S) * NS)

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
        """The level after a return may be known by now; or nothing has come back for so long that this is what is
        usually in service, or that nothing may have left at all."""
        if self.story.phase == ISOLATED and not self.story.opened:
            self._give_up(time)
        if self.story.phase != RETURNED:
            return
        latest = self.story.returned_at + round(self.skid.alarms["changeout-done"].extra["verdict"] * NS)
        after = self.after(time)
        if (after is None or after.blocks < ENOUGH_BLOCKS) and time + AGAIN_S * NS <= latest:
            self.state.wake_at[codes.FOR_CHANGEOUT] = time + AGAIN_S * NS
            return
        conclude(self, time)

    def _give_up(self, time: int) -> None:
        """Look for falls and isolations as usual again: without a meter demand that rose looks as a vessel that left.
        What may have been one is remembered for its return."""
        story = self.story
        if not (relief.has_standby(self) or self.own_pressures) and self._may_be_vessel(story.step):
            story.perhaps_out = PerhapsOut(
                story.isolated_at, story.before, story.step, until=story.isolated_at + LEFT_OUT_S * NS
            )
        story.phase, story.returned_at, self.state.isolated_since = NORMAL, time, 0
        note_isolation(self, time)
        forecasting.not_changed(self.skid, story, self.state)
        self._release_held(known=False)
        relief.is_over(self)

    def _may_be_vessel(self, step: float) -> bool:
        """Whether a rise of ln(normalised dP) is one that a vessel makes whose resistance it may have here."""
        before = self.corrected(unpack(self.story.before))
        share = self.skid.in_service * -math.expm1(-step)
        most = MOST_LOADED * self.skid.element.changeout_dp
        return before is not None and share > 0 and self.referred(flow_or_one(before)) / share < most

    def after(self, time: int, *, interrupted: bool = False) -> Level | None:
        """The level since the skid settled after a return. interrupted: the next vessel has left meanwhile, so the
        last that was seen before has to do."""
        settled = self.story.returned_at + round(self._settle() * NS)
        if not interrupted:
            return level(self.history, settled, time + BLOCK)
        end = time - STEP_S * NS
        return level(self.history, max(min(settled, end - LEAST_S * NS), self.story.returned_at + HASTY_S * NS), end)

    # ---- what a level is

    def corrected(self, at: Level | None) -> Level | None:
        if at is None:
            return None
        drop = at.state.pressure_drop - self.offset()
        # A pump's curve magnifies what its pressures are wrong by: enough for a limit, too much to compare levels by.
        inferred = bool(self.skid.pump_curve) and not self.skid.with_role(Role.FLOW)
        flow = 1.0 if inferred else at.state.flow if math.isfinite(at.state.flow) else math.nan
        return at._replace(state=at.state._replace(pressure_drop=drop, flow=flow))

    def offset(self) -> float:
        """What dP reads with no flow: elevation between the taps, and the transmitters' zeros."""
        return float(self.state["idle_offset"]) if self.state["idle_offset_known"] > 0 else 0.0

    def is_other_part(self, part: str) -> bool:
        """Whether an element that was told of is known to be another than the configured one."""
        return bool(part and self.skid.element.part and part != self.skid.element.part)

    def zero_error(self) -> float:
        return zero_error(self.skid, self.state)



# What an operator can do that the engine must know, by verb.
ACTIONS: dict[str, Callable[[EventTier, int, Action], Told]] = {"trim-approve": approve, "trim-undo": undo,
                                                               CHANGED: take_told}
