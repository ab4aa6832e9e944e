"""Changeouts in words."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from monitor.alarms.catalogue import CATALOGUE, CAUTION
from monitor.engine.closures import HoldAnswer, sentence
from monitor.engine.messages_told import beside, told_object
from monitor.engine.story import ToldChange
from monitor.engine.verification import Finding
from monitor.engine.wording import BAR, Words, clock, join, tags
from monitor.model import Event, Transition
from monitor.skid import SkidSettings

CAUSES = {
    "resistance-low": "not seated, not clamped, water going round the element, or no element",
    "resistance-high": "element bunched up, strainer basket fouled, or an element of another rating",
}


@dataclass(frozen=True, slots=True)
class Changeout:
    """One changeout, times in ns, running_s with flow since the last return, volume in m^3, dP normalised [Pa]."""

    skid: str
    vessel: str | None
    isolated_at: int
    returned_at: int
    running_s: float | None
    volume: float | None
    drop_before: float
    drop_after: float
    finding: Finding
    opened: bool
    closure: HoldAnswer      # what was seen of it between isolation and return
    by: ToldChange | None = None     # what somebody told of it


def done_event(skid: SkidSettings, changeout: Changeout, time: int, clean: tuple[float, float], flow: bool) -> Event:
    finding = changeout.finding
    words = Words(skid)
    return Event(
        time=time, skid=skid.id, kind="changeout-done", transition=Transition.NOTED, vessel=changeout.vessel,
        detail=finding.verdict, value=_rounded(finding.ratio), unit="1", onset=changeout.isolated_at,
        message=join(
            f"{what(skid, changeout)} was out of service from {clock(changeout.isolated_at)} to "
            f"{clock(changeout.returned_at)}"
            + (", and its pressure fell to nothing meanwhile." if changeout.opened else "."),
            beside(skid, changeout.by),
            verdict_words(finding),
            levels(words, changeout),
            still_due(words, skid, changeout),
            "" if flow else "Flow is not measured but told by the outlet pressure, which widens the interval.",
            sentence(changeout.closure),
        ),
        evidence=evidence(changeout, clean) | (
            {} if changeout.by is None else {"told": told_object(skid, changeout.by)}),
    )  # fmt: skip


def suspect_event(skid: SkidSettings, changeout: Changeout, time: int) -> Event:
    finding = changeout.finding
    return Event(
        time=time, skid=skid.id, kind="changeout-suspect", transition=Transition.RAISED, vessel=changeout.vessel,
        detail=finding.verdict, value=_rounded(finding.ratio), unit="1", onset=changeout.returned_at,
        message=join(
            f"{what(skid, changeout)}, changed at {clock(changeout.returned_at)}: {verdict_words(finding)}",
            CATALOGUE["changeout-suspect"].response,
            CAUTION,
        ),
        evidence=evidence(changeout, None),
    )  # fmt: skip


def suspect_cleared(skid: SkidSettings, changeout: Changeout, detail: str, time: int) -> Event:
    return Event(
        time=time, skid=skid.id, kind="changeout-suspect", transition=Transition.CLEARED, vessel=changeout.vessel,
        detail=detail, value=_rounded(changeout.finding.ratio), unit="1",
        message=f"{what(skid, changeout)} has been changed again: {verdict_words(changeout.finding)}",
        evidence=evidence(changeout, None),
    )  # fmt: skip


def what(skid: SkidSettings, changeout: Changeout) -> str:
    vessel = f"vessel {changeout.vessel}" if changeout.vessel else "one vessel (which one the headers do not tell)"
    return f"{skid.name} ({skid.id}, {tags(skid)}): {vessel}"


def verdict_words(finding: Finding) -> str:
    if not math.isfinite(finding.ratio):
        return "Its resistance afterwards could not be told: not verified."
    ratio = (f"Its resistance is {finding.ratio:.2f} of a clean element's "
             f"(90 % interval {finding.low:.2f} to {finding.high:.2f}; the levels alone say {finding.measured:.2f} "
             f"within {100 * finding.error:.0f} %)")  # fmt: skip
    if finding.verdict == "good":
        return f"{ratio}: consistent with a clean element, which is no proof of a seal."
    if finding.verdict == "unverified":
        return f"{ratio}: too wide to say whether it is well; not verified."
    return f"{ratio}: {CAUSES[finding.verdict]}."


def levels(words: Words, changeout: Changeout) -> str:
    if not (math.isfinite(changeout.drop_before) and math.isfinite(changeout.drop_after)):
        return ""
    return (f"Skid dP at reference flow and temperature: {words.pressure(changeout.drop_before)} before, "
            f"{words.pressure(changeout.drop_after)} after.")  # fmt: skip


def still_due(words: Words, skid: SkidSettings, changeout: Changeout) -> str:
    """After one of several was changed the skid's dP falls while the others stay loaded."""
    finding = changeout.finding
    if not finding.others or max(finding.others) < 0.8 * skid.element.changeout_dp:
        return ""
    told = changeout.vessel is not None and skid.in_service == len(skid.vessels)    # a standby's place is not known
    others = [v for v in skid.vessels if v != changeout.vessel] if told else []
    known = len(others) == len(finding.others)
    name = f"Vessel {others[int(np.argmax(finding.others))]}" if known else "Another vessel"
    return f"{name} is still loaded: {words.pressure(max(finding.others))} at its share of the reference flow."


def evidence(changeout: Changeout, clean: tuple[float, float] | None) -> dict[str, object]:
    finding = changeout.finding
    return {
        "isolated_at": changeout.isolated_at, "returned_at": changeout.returned_at, "opened": changeout.opened,
        "resistance_before_pa": _rounded(finding.before), "resistance_after_pa": _rounded(finding.after),
        "resistance_others_pa": [_rounded(x) for x in finding.others], "ratio": _rounded(finding.ratio),
        "ratio_measured": _rounded(finding.measured), "ratio_measured_error": _rounded(finding.error),
        "ratio_90": [_rounded(finding.low), _rounded(finding.high)],
        "clean_reference_pa": None if clean is None else _rounded(clean[0]),
        "clean_reference_error": None if clean is None else _rounded(clean[1]),
        "drop_before_bar": _rounded(changeout.drop_before / BAR),
        "drop_after_bar": _rounded(changeout.drop_after / BAR),
        "life_h": None if changeout.running_s is None else round(changeout.running_s / 3600, 3),
        "volume_m3": None if changeout.volume is None else round(changeout.volume, 3),
        "closure": changeout.closure.answer, "closure_why": changeout.closure.why,
    }  # fmt: skip


def _rounded(x: float) -> float | None:
    return round(x, 6) if math.isfinite(x) else None
