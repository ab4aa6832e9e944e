"""What the alarms rest on that are not about a transmitter: limits, breaches, changeouts, holds, surges, shut paths."""

from __future__ import annotations

import math

from monitor.detectors.drop import SIGNIFICANT, SMALLEST
from monitor.detectors.path import JUMP, NO_FLOW, rise_of
from monitor.engine import breach, codes, explained, layout_integrity, seep
from monitor.engine.event_tier import BEFORE_S, STEP_S
from monitor.engine.evidence import Basis, Explain, Moment, percent
from monitor.engine.look_back import level
from monitor.engine.resolution import drop_error, interval_of, normalised_error
from monitor.engine.wording import Words
from monitor.forecast import unusual
from monitor.model import NS, Role

Z90 = 1.6448536269514722     # half width of a 90 % interval of a normal, in standard deviations
PEAK_BLOCKS = layout_integrity.PEAKS * codes.BLOCK_S


def due(at: Moment) -> Basis:
    settings, window = at.skid.alarms["changeout-due"], int(at.tier.parameters.skid[at.i].window)
    words, limit = Words(at.skid), settings.limit or math.nan
    clear = limit - settings.deadband
    return Basis(
        rule=f"Raised when dP at reference flow and temperature, averaged over {window} s, has been at or above "
        f"{words.pressure(limit)} for {settings.on_delay_s:.0f} s; cleared below {words.pressure(clear)} for "
        f"{settings.off_delay_s:.0f} s.",
        since=at.begun - window * NS,
        what="dP at reference flow and temperature", value=float(at.frame.normalised),
        against_what="limit" if at.raised else "level to clear below", against=limit if at.raised else clear, unit="Pa",
        smallest_what="difference from the limit that these transmitters can tell (90 %)",
        smallest=Z90 * normalised_error(at.skid, at.tier, at.i, window), smallest_unit="Pa",
        ruled_out=(
            f"flow below {percent(settings.extra['min_flow_fraction'])} of reference",
            f"the first {settings.settle_s:.0f} s of flow", "a vessel that fills", *measured(at),
        ),
    )  # fmt: skip


def measured(at: Moment) -> tuple[str, ...]:
    """What dP was referred by, and so cannot be the cause."""
    said = []
    if at.skid.with_role(Role.FLOW):
        said.append("a change of flow: it is measured and dP referred to reference flow")
    if at.skid.with_role(Role.TEMPERATURE):
        said.append("a change of viscosity: temperature is measured and dP referred to its reference")
    return tuple(said)


def limit(at: Moment) -> Basis:
    settings = at.skid.alarms["dp-limit"]
    words, most = Words(at.skid), settings.limit or math.nan
    clear = most - settings.deadband
    return Basis(
        rule=f"Raised when actual dP has been at or above {words.pressure(most)} for {settings.on_delay_s:.0f} s, "
        f"whatever the flow; cleared below {words.pressure(clear)} for {settings.off_delay_s:.0f} s.",
        since=at.begun, what="actual dP", value=float(at.frame.sustained),
        against_what="limit" if at.raised else "level to clear below", against=most if at.raised else clear, unit="Pa",
        smallest_what="difference from the limit that these transmitters can tell (90 %)",
        smallest=Z90 * drop_error(at.skid, at.tier, at.i, 3.0), smallest_unit="Pa",
        ruled_out=("a shut path: that is flow-blocked",),
    )  # fmt: skip


def torn(at: Moment) -> Basis:
    """A loss of resistance; smallest: what the scatter of dP would have let through at this moment."""
    extra, restart = at.skid.alarms["element-breach"].extra, at.event.detail == breach.AFTER_RESTART
    noise = SIGNIFICANT * math.sqrt(2) * _scatter(at, restart)
    least = breach.TOLERANCE * (extra["loss"] + (breach.SLOUGH if restart else 0.0))
    smallest = max(least, 1 - math.exp(-max(noise, 0.0 if restart else SMALLEST)))
    known = math.isfinite(smallest) and smallest < 1
    when = "from the last steady minute before the stop to the first steady ones after it" if restart else (
        f"within seconds, between the {explained.BEFORE_S:.0f} s before and the level that it settles to")  # fmt: skip
    return Basis(
        rule=f"Raised when {percent(extra['loss'])} or more of the normalised resistance is lost {when} and nothing "
        f"else explains it; likely from {percent(extra['likely_loss'])} on, below the clean reference, or where "
        "turbidity agrees; a suspicion is withdrawn where loading goes on as before.",
        since=at.begun - (0 if restart else (explained.BEFORE_S + explained.STEP_S) * NS),
        what="part of the resistance that was lost", value=math.nan if at.event.value is None else at.event.value,
        against_what="loss that is told", against=extra["loss"], unit="1",
        smallest_what="loss that would have been told in these conditions", smallest=smallest if known else 1.0,
        smallest_unit="1",
        ruled_out=(
            *(() if at.event.evidence.get("may_be_a_changeout") else ("a changeout",)),
            "a vessel or a standby coming into service", *measured(at),
            *(() if restart else ("one gauge alone moving",)),
        ),
    )  # fmt: skip


def _scatter(at: Moment, restart: bool) -> float:
    """Relative standard error of a level such as was compared: of the one before the fall where the look back still
    holds it."""
    history, span = at.tier.state.history[at.i], explained.BEFORE_S * NS
    ends = [at.event.time] if restart else [at.begun - explained.STEP_S * NS, at.event.time]
    found = (level(history, end - span, end) for end in ends)
    return next((f.error for f in found if f is not None), math.inf)


def changed(at: Moment) -> Basis:
    """A verdict on a changeout; smallest: half its 90 % interval, which is what it can tell from clean."""
    low, high = (at.skid.alarms["changeout-suspect"].extra[k] for k in ("low", "high"))
    if at.event.evidence.get("seen") is False:
        return as_told(at, high)
    value = math.nan if at.event.value is None else at.event.value
    interval = at.event.evidence.get("ratio_90") or [None, None]
    half = (interval[1] - interval[0]) / 2 if None not in interval else math.nan
    begun = at.event.evidence.get("isolated_at") or at.begun
    return Basis(
        rule=f"The vessel's resistance after its return over that of a clean element: good from {low:.2f} to "
        f"{high:.2f}; unverified where the 90 % interval holds one of these limits.",
        since=int(begun) - (STEP_S + BEFORE_S) * NS,
        what="ratio to a clean element", value=value,
        against_what="nearest limit of a good one",
        against=high if math.isfinite(value) and abs(value - high) < abs(value - low) else low, unit="1",
        smallest_what="departure from clean that this check can tell (half the 90 % interval)", smallest=half,
        smallest_unit="1",
        ruled_out=("a quick isolation: the vessel was emptied, came back with less, or was out for long",
                   "what the other vessels loaded meanwhile"),
    )  # fmt: skip


def as_told(at: Moment, high: float) -> Basis:
    """Nothing was measured that decides."""
    return Basis(
        rule="Noted because somebody told of it; no changeout was seen about then that it could belong to.",
        since=at.begun, what="ratio to a clean element", value=math.nan, against_what="nearest limit of a good one",
        against=high, unit="1", smallest_what="departure from clean that can be told of what was not seen",
        smallest=math.nan, smallest_unit="1",
    )  # fmt: skip


def seeping(at: Moment) -> Basis:
    if at.event.detail == "leak-sensor":
        return wet(at)
    extra, settings = at.skid.alarms["closure-seep"].extra, at.skid.alarms["closure-seep"]
    evidence, words = at.event.evidence, Words(at.skid)
    rule = (
        f"Raised when a hold has lost for certain ({extra['noise_ratio']:.0f} standard errors of a robust slope) more "
        f"than {seep.SURE:g} times what temperature explains ({words.pressure(extra['thermal'])} in "
        f"{seep.USUAL_HOLD_S / 60:.0f} min, more in a longer one); cleared {settings.off_delay_s:.0f} s after the hold."
    )
    if not at.raised:
        return Basis(
            rule=rule, since=at.begun, what="time since the hold ended", value=(at.event.time - at.begun) / NS,
            against_what="time after which it is cleared", against=settings.off_delay_s, unit="s",
            smallest_what="time constant of the slowest seep that the hold would have shown",
            smallest=_slowest(at), smallest_unit="s",
        )  # fmt: skip
    fall = evidence["fall_pa"]
    return Basis(
        rule=rule, since=int(evidence["held_since"]),
        what="fall of pressure in the hold, at least", value=fall[1],
        against_what="what temperature can explain, with its margin",
        against=seep.SURE * evidence["thermal_allowance_pa"], unit="Pa",
        smallest_what="fall that this hold would have called a seep",
        smallest=seep.SURE * evidence["thermal_allowance_pa"] + max(fall[0] - fall[1], 0.0), smallest_unit="Pa",
        ruled_out=("temperature, within its allowance", "a header that falls with it: then the vessel was not shut off",
                   "a valve that was opened: that is a jump"),
    )  # fmt: skip


def _slowest(at: Moment) -> float:
    which = at.skid.vessels.index(at.event.vessel) if at.event.vessel else layout_integrity.IDLE
    return float(at.tier.state.hold[at.i, which].smallest)


def wet(at: Moment) -> Basis:
    settings = at.skid.alarms["closure-seep"]
    delay = settings.on_delay_s if at.raised else settings.off_delay_s
    return Basis(
        rule=f"Raised when a leak sensor has been wet for {settings.on_delay_s:.0f} s; what gets wet during a "
        f"changeout is drain spillage until {settings.extra['spillage'] / 60:.0f} min after the return; cleared when "
        f"dry for {settings.off_delay_s:.0f} s.",
        since=at.begun, what="time wet" if at.raised else "time dry", value=(at.event.time - at.begun) / NS,
        against_what="delay", against=delay, unit="s",
        smallest_what="shortest wetting that would have been told", smallest=settings.on_delay_s, smallest_unit="s",
        ruled_out=("drain spillage of a changeout",) if at.raised else (),
    )  # fmt: skip


def rising(at: Moment) -> Basis:
    """Pressure that rises in a hold, towards the end of the transmitter's span."""
    share, words = at.skid.alarms["closure-seep"].extra["rise_share"], Words(at.skid)
    roles = (Role.VESSEL_PRESSURE,) if at.event.vessel else (Role.INLET_PRESSURE, Role.OUTLET_PRESSURE)
    signal = next(s for s in at.skid.signals if s.role in roles and s.vessel == at.event.vessel)
    end = (signal.low + share * (signal.high - signal.low)) * signal.scale + signal.offset
    allowance = at.number("thermal_allowance_pa")
    return Basis(
        rule=f"Noted when a hold's pressure rises for certain by more than {words.pressure(allowance)} and has reached "
        f"{words.pressure(end)}, {percent(share)} of its transmitter's span.",
        since=int(at.event.evidence["held_since"]), what="pressure in the hold",
        value=(at.event.value or 0.0) * 1e5, against_what="level from which it is told", against=end, unit="Pa",
        smallest_what="rise that would have been told", smallest=allowance, smallest_unit="Pa",
    )  # fmt: skip


def surging(at: Moment) -> Basis:
    settings, words = at.skid.alarms["surge"], Words(at.skid)
    most = settings.limit or math.nan
    k = at.tier.parameters.skid[at.i].role[codes.INLET]
    return Basis(
        rule=f"Raised when a header's highest reading stood {words.pressure(most)} or more above its settled levels "
        f"both before and after; cleared when none has followed for {settings.off_delay_s:.0f} s and pressures are "
        "settled.",
        since=min(at.begun, at.event.time - PEAK_BLOCKS * NS),
        what="overshoot above both settled levels" if at.raised else "overshoot since",
        value=0.0 if at.event.value is None else at.event.value * 1e5, against_what="limit", against=most, unit="Pa",
        smallest_what="overshoot that would have been told, where it lasts for "
        f"{interval_of(at.tier, at.i, int(k)):.2g} s, the time between readings, or longer",
        smallest=most, smallest_unit="Pa",
        ruled_out=("a step to another level: nothing is lower afterwards", "lone spikes of one transmitter")
        if at.raised else (),
    )  # fmt: skip


def blocked(at: Moment) -> Basis:
    settings, path = at.skid.alarms["flow-blocked"], at.tier.state.path[at.i]
    parameters, flow = at.tier.parameters.skid[at.i], float(at.frame.flow)
    by_flow = math.isfinite(flow)
    least = NO_FLOW * float(parameters.reference_flow)
    how = (
        f"flow is below {percent(NO_FLOW)} of reference with dP across the skid and an inlet above its usual level"
        if by_flow else f"dP stands at {JUMP:g} times the usual or more, by more than one vessel less can explain"
    )  # fmt: skip
    usual = JUMP * float(path.drop) if path.known else math.nan
    return Basis(
        rule=f"Raised when {how} for {settings.on_delay_s:.0f} s while the pump pushes; cleared "
        f"{settings.off_delay_s:.0f} s after the path is open or the pump stands.",
        since=at.begun, what="flow" if by_flow else "actual dP", value=flow if by_flow else float(at.frame.sustained),
        against_what="flow below which nothing flows" if by_flow else "dP that a shut path makes at least",
        against=least if by_flow else usual, unit="m^3/s" if by_flow else "Pa",
        smallest_what="rise of the inlet above its usual level that would have been told" if path.known
        else "dP that would have been told",
        smallest=float(rise_of(path)) if path.known else float(parameters.idle_dp), smallest_unit="Pa",
        ruled_out=("a stopped pump", "a blockage outside the skid: then there is no dP") if at.raised else (),
    )  # fmt: skip


def outside(at: Moment) -> Basis:
    path, parameters = at.tier.state.path[at.i], at.tier.parameters.skid[at.i]
    return Basis(
        rule=f"Noted when nothing flows (below {percent(NO_FLOW)} of reference) for 60 s, both headers stand above "
        "their usual levels, and there is no dP.",
        since=at.begun, what="flow", value=float(at.frame.flow), against_what="flow below which nothing flows",
        against=NO_FLOW * float(parameters.reference_flow), unit="m^3/s",
        smallest_what="rise of the headers above their usual levels that would have been told",
        smallest=float(rise_of(path)), smallest_unit="Pa",
        ruled_out=("a shut path through the skid: then there is dP", "a stopped pump"),
    )  # fmt: skip


def foreseen(at: Moment) -> Basis:
    """A forecast inside the notice period; smallest: the 80 % interval's half width."""
    settings = at.skid.alarms["changeout-forecast"]
    notice, low, high = at.number("notice_h"), at.number("p10_h"), at.number("p90_h")
    limit = Words(at.skid).pressure(at.skid.alarms["changeout-due"].limit or at.skid.element.changeout_dp)
    return Basis(
        rule=f"Raised when the hours to {limit} at reference conditions (p50) have been inside the notice period, the "
        f"lesser of {settings.extra['notice'] / 3600:g} h and {percent(settings.extra['life_share'])} of the median "
        f"life, for {settings.on_delay_s:.0f} s; cleared at the changeout, or when the point is far off again.",
        since=at.begun, what="hours to the changeout point (p50)",
        value=math.nan if at.event.value is None else at.event.value, against_what="notice period", against=notice,
        unit="h", smallest_what="half the width of the 80 % interval", smallest=(high - low) / 2, smallest_unit="h",
        ruled_out=measured(at),
    )  # fmt: skip


def unlike(at: Moment) -> Basis:
    """Loading held against earlier lives; smallest: what would have been told at this level."""
    point = at.skid.alarms["changeout-due"].limit or at.skid.element.changeout_dp
    since, ruled_out = at.event.time - round(at.number("running_s")) * NS, ("a vessel out of service", *measured(at))
    if at.event.detail == unusual.STALLED:
        return Basis(
            rule="Noted when dP at reference conditions rose by less than "
            f"{percent(unusual.HARDLY)} of what each earlier life rose by, had it lasted {unusual.LONGER:g} times as "
            f"long, and that is {percent(unusual.EXPECTED)} of the changeout point or more.",
            since=since, what="rise of dP", value=at.number("rise_pa"), against_what="least rise of an earlier life",
            against=at.number("usual"), unit="Pa",
            smallest_what="rise of the earlier lives from which none would have been told",
            smallest=unusual.EXPECTED * point, smallest_unit="Pa", ruled_out=ruled_out,
        )  # fmt: skip
    return Basis(
        rule=f"Noted when dP at reference conditions rose by {percent(unusual.RISE)} of the changeout point at "
        f"{unusual.TIMES:g} times the rate of the fastest earlier life or more.",
        since=since, what="rate over that of the fastest earlier life", value=at.number("usual") / at.number("carried"),
        against_what="rate that is told", against=unusual.TIMES, unit="1",
        smallest_what="rise that would have been told", smallest=unusual.RISE * point, smallest_unit="Pa",
        ruled_out=ruled_out,
    )  # fmt: skip


ALARMS: dict[str, Explain] = {
    "changeout-due": due, "dp-limit": limit, "element-breach": torn, "changeout-done": changed,
    "changeout-suspect": changed, "closure-seep": seeping, "pressure-rise": rising, "surge": surging,
    "flow-blocked": blocked, "blocked-outside": outside, "changeout-forecast": foreseen,
    "loading-unusual": unlike,
}  # fmt: skip
