"""What a hold says, as events: seeping, undetermined, or no loss beyond what temperature explains."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from monitor.detectors.holds import ENOUGH
from monitor.detectors.pressure_decay import Decay, decay
from monitor.engine import codes, layout_integrity
from monitor.engine.closures import IDLE_SKID, NO_LOSS, NOT_TESTED, SEEPING, UNDETERMINED, HoldAnswer
from monitor.engine.messages_seep import answer_words, for_outlet, pressure_rise_event, seep_cleared, seep_event
from monitor.engine.row_tier import Emission, RowTier
from monitor.model import Event, Role, Transition
from monitor.skid import SkidSettings

USUAL_HOLD_S = 1500.0    # up to here the thermal allowance holds; beyond, it grows with the root of the time
SURE = 1.5               # times the thermal allowance that must be lost for certain
SHARED = 0.5             # of the fall: where a header fell by as much with it, the vessel was not shut off


@dataclass(frozen=True, slots=True)
class Hold:
    """A hold as it stands. vessel None: the idle skid. Pressures Pa, times ns and s."""

    skid: SkidSettings
    vessel: str | None
    since: int
    time: int
    decay: Decay
    allowance: float
    inlet: float
    outlet: float
    shared: bool          # a header's pressure fell with it
    answer: str
    smallest: float


def seep_events(
    emission: Emission, skid: SkidSettings, tier: RowTier, holds: dict[str, HoldAnswer]
) -> list[Event]:
    """Events of an emission about a hold; its answer is kept in `holds`."""
    record = tier.state.hold[emission.skid, emission.signal]
    vessel = None if emission.signal == layout_integrity.IDLE else skid.vessels[emission.signal]
    if emission.code == codes.CLEARED:
        return [seep_cleared(skid, vessel, emission)]
    hold = judge(record, skid, vessel, emission.time)
    holds[vessel or IDLE_SKID] = _answer_of(hold, record, emission.time)
    if hold is None:
        return []
    record.smallest = hold.smallest
    if hold.answer == SEEPING and not record.raised:
        record.raised = 1
        return [seep_event(hold, _noise(tier, emission, skid), Transition.RAISED)]
    if hold.answer == SEEPING and emission.code == codes.RETURNED and for_outlet(hold):
        return [seep_event(hold, _noise(tier, emission, skid), Transition.NOTED)]
    if rises(hold) and not record.rise_told:
        record.rise_told = 1
        return [pressure_rise_event(hold)]
    return []


def _answer_of(hold: Hold | None, record: np.record, time: int) -> HoldAnswer:
    if hold is None:
        why = f"its pressure was known for less than {ENOUGH * int(record.width)} s of it"
        return HoldAnswer(NOT_TESTED, why, int(record.since), time)
    return HoldAnswer(hold.answer, answer_words(hold), hold.since, time)


def judge(record: np.record, skid: SkidSettings, vessel: str | None, time: int) -> Hold | None:
    """The hold and its answer; None while there is too little of it."""
    used, width = int(record.used), int(record.width)
    y = np.array(record.levels[:used])
    known = np.isfinite(y)
    if known.sum() < ENOUGH:
        return None
    x = (np.arange(used) + 0.5)[known] * width
    seep = skid.alarms["closure-seep"]
    found = decay(x, y[known], seep.extra["noise_ratio"])
    allowance = seep.extra["thermal"] * math.sqrt(max(1.0, found.seconds / USUAL_HOLD_S))
    detectable = SURE * allowance + max(found.fall.middle - found.fall.low, 0.0)
    inlets, outlets = np.array(record.inlets[:used])[known], np.array(record.outlets[:used])[known]
    with_header = shared(found, None if vessel is None else (inlets, outlets))
    return Hold(
        skid=skid, vessel=vessel, since=int(record.since), time=time, decay=found, allowance=allowance,
        inlet=_last(inlets), outlet=_last(outlets), shared=with_header,
        answer=_answer(found, allowance, seep.limit, with_header=with_header),
        smallest=found.seconds * max(found.first, 0.0) / detectable,
    )  # fmt: skip


def _answer(found: Decay, allowance: float, limit: float | None, *, with_header: bool) -> str:
    if found.fall.low >= SURE * allowance and not with_header:
        return SEEPING if limit is None or found.constant.middle <= limit else NO_LOSS
    return UNDETERMINED if found.fall.high >= allowance else NO_LOSS


def shared(found: Decay, headers: tuple[np.ndarray, np.ndarray] | None) -> bool:
    """Whether a header fell with the vessel: then it was open to it. An idle skid is its own headers."""
    if headers is None:
        return False
    falls = [float(np.median(h[:3]) - np.median(h[-3:])) for h in headers]
    return any(math.isfinite(f) and abs(f - found.fall.middle) < SHARED * found.fall.middle for f in falls)


def rises(hold: Hold) -> bool:
    """Whether the pressure rises for certain, and is near the end of its transmitter's span."""
    roles = (Role.INLET_PRESSURE, Role.OUTLET_PRESSURE) if hold.vessel is None else (Role.VESSEL_PRESSURE,)
    signal = next((s for s in hold.skid.signals if s.role in roles and s.vessel == hold.vessel), None)
    if signal is None or not -hold.decay.fall.high >= hold.allowance:
        return False
    end = signal.low + hold.skid.alarms["closure-seep"].extra["rise_share"] * (signal.high - signal.low)
    return hold.decay.first - hold.decay.fall.middle >= end * signal.scale + signal.offset


def _last(values: np.ndarray) -> float:
    known = values[np.isfinite(values)]
    return float(known[-1]) if known.size else math.nan


def _noise(tier: RowTier, emission: Emission, skid: SkidSettings) -> float:
    """Standard deviation [Pa] of the noise of the transmitter that told."""
    parameters = tier.parameters.skid[emission.skid]
    idle = emission.signal == layout_integrity.IDLE
    k = parameters.role[codes.INLET] if idle else parameters.vessel_signal[emission.signal]
    return float(tier.state.health[emission.skid, k].scatter) * skid.signals[k].scale if k >= 0 else math.nan
