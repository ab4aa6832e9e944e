"""What stands beside each step of a changeout: only what speaks against going on. Nothing here ever allows anything.

A low reading is not shown at all: it would be taken for leave to open. Where nothing adverse is seen, that is said to
confirm nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from monitor.hydraulics.isolating import outlook
from monitor.hydraulics.network import Conditions
from monitor.hydraulics.pressure_drop import turbulent_part
from monitor.model import NS, Role
from monitor.skid import SkidSettings, Step
from monitor.web.changeouts import Record, record
from monitor.web.data import SkidNow, Source
from monitor.web.vessels import RETURN, Valves, VesselNow, vessels_now
from monitor.web.words import Display, duration

LOOK_BACK = 30 * 60 * NS        # how long a pressure is remembered that has been lower
CHANGED = 4 * 3600 * NS         # a changeout noted so long ago still belongs to the one at hand
ALWAYS = ("dp-limit", "surge", "flow-blocked", "closure-seep")
NO_PROOF = ("Nothing adverse is seen, and that confirms nothing: no transmitter can. Prove zero at the local gauge and "
            "an open vent.")
UNSEEN = "Nothing of this vessel is seen from here. Prove zero at the local gauge and an open vent."
STILL_ON = "The headers show no vessel out of service yet: a valve is open or passes, or it is too soon to tell."
UNDER_WAY = "The check is told once flow is steady again, at the latest 15 min after the return."


@dataclass(frozen=True, slots=True)
class Remark:
    """What stands beside a step. adverse: it speaks against going on."""

    adverse: bool
    words: str


@dataclass(frozen=True, slots=True)
class Watched:
    """What is known while a vessel is changed. lowest: of its pressure in the last half hour, Pa."""

    now: SkidNow
    vessel: VesselNow
    lowest: float
    last: Record | None
    suspect: str | None


def watch(source: Source, skid: SkidSettings, vessel: str) -> Watched:
    (now,) = source.now([skid])
    found = next(v for v in vessels_now(now) if v.name == vessel)
    newest = now.newest or 0
    events = source.events(skid.id, start=newest - CHANGED, kinds=["changeout-done"], limit=20)
    last = next((record(e) for e in events if e.vessel == vessel), None)
    suspect = next((a.message for a in now.alarms if a.kind == "changeout-suspect" and a.vessel == vessel), None)
    return Watched(now, found, _lowest(source, skid, vessel, newest), last, suspect)


def _lowest(source: Source, skid: SkidSettings, vessel: str, newest: int) -> float:
    signal = next((s for s in skid.with_role(Role.VESSEL_PRESSURE) if s.vessel == vessel), None)
    if signal is None or not newest:
        return math.nan
    values = source.values(skid.id, signal, newest - LOOK_BACK, newest + 1)
    # Below all but the lowest tenth: a lone dropout is no pressure.
    return float(np.quantile(values, 0.1)) if values.size else math.nan


def remarks(step: Step, seen: Watched) -> list[Remark]:
    """Beside one step; empty where this step is watched by nothing."""
    beside = {"prepare": _before, "isolate": _isolating, "vent": _pressure, "prove": _pressure, "open": _pressure,
              "fit": _coming_back, "close": _coming_back, "fill": _filling, "return": _returned, "verify": _verified}
    return beside[step.watch](seen) if step.watch else []


def warnings(seen: Watched) -> list[str]:
    """What stands on the skid meanwhile and cannot wait."""
    return [a.message for a in seen.now.alarms if a.kind in ALWAYS and not a.hidden]


def _before(seen: Watched) -> list[Remark]:
    """What the others will show at held flow."""
    skid, minute = seen.now.skid, seen.now.minute
    others = [v for v in vessels_now(seen.now) if v.name != seen.vessel.name]
    found = [Remark(True, f"{v.name} seems to be shut off already.") for v in others if v.valves is Valves.SHUT]
    if seen.vessel.valves is Valves.SHUT:
        return [*found, Remark(False, "This vessel seems to be shut off already.")]
    if not others:
        return [Remark(True, "There is no other vessel: the flow stops when this one is isolated.")]
    if minute is None or not math.isfinite(minute.pressure_drop):
        return [*found, Remark(True, "What the others will show is not known: no current dP.")]
    flow = minute.flow / skid.reference.flow if math.isfinite(minute.flow) else 1.0
    turbulent = turbulent_part(skid.element.clean_dp, skid.element.changeout_dp)
    rest = outlook(Conditions(minute.pressure_drop, flow), skid.in_service, turbulent)
    if rest is None:
        return found
    show = Display(skid)
    over = rest.upper >= skid.element.max_dp
    most = show.text("pressure", skid.element.max_dp)
    words = (f"If this vessel is isolated now, the others will show {show.number('pressure', rest.expected)} to "
             f"{show.text('pressure', rest.upper)} at held flow.")
    words += f" The elements are built for {most}: lower the flow first." if over else ""
    return [*found, Remark(over, words)]


def _isolating(seen: Watched) -> list[Remark]:
    if seen.vessel.valves is Valves.OPEN and not math.isfinite(seen.vessel.pressure):
        return [Remark(True, STILL_ON), Remark(False, UNSEEN)]
    if seen.vessel.valves is Valves.OPEN:
        return [Remark(True, "This vessel still follows the headers: a valve is open or passes.")]
    return _pressure(seen)


def _pressure(seen: Watched) -> list[Remark]:
    if not math.isfinite(seen.vessel.pressure):
        return [Remark(False, UNSEEN)]
    if seen.vessel.valves is Valves.OPEN:
        return [Remark(True, "This vessel follows the headers: it is under their pressure.")]
    if seen.vessel.pressure < RETURN:
        return [Remark(False, NO_PROOF)]
    return _coming_back(seen) or [Remark(True, f"Still {_told(seen)} in this vessel.")]


def _coming_back(seen: Watched) -> list[Remark]:
    pressure = seen.vessel.pressure
    if not (math.isfinite(pressure) and pressure >= RETURN and pressure > seen.lowest + RETURN):
        return []
    words = f"Pressure is coming back: {_told(seen)}. Keep clear of the lid: a valve passes or was opened."
    return [Remark(True, words)]


def _filling(seen: Watched) -> list[Remark]:
    wet = [v.signal.id for v in seen.now.values if v.signal.role is Role.LEAK_SENSOR and v.value == 1.0
           and v.signal.vessel in (None, seen.vessel.name)]
    return [Remark(True, f"{', '.join(wet)} is wet: spilt while draining, or a leak.")] if wet else []


def _returned(seen: Watched) -> list[Remark]:
    if not math.isfinite(seen.vessel.pressure):
        out = seen.now.isolation
        still = out is not None and out.vessel in (None, seen.vessel.name)
        return [*([Remark(True, "The headers still show a vessel out of service.")] if still else []), *_filling(seen)]
    if seen.vessel.valves is Valves.SHUT:
        return [Remark(True, "This vessel does not follow the headers yet.")]
    return _filling(seen)


def _verified(seen: Watched) -> list[Remark]:
    if seen.suspect is not None:
        return [Remark(True, seen.suspect)]
    if seen.last is None:
        return [Remark(False, UNDER_WAY)]
    ago = duration(max(0, (seen.now.newest or 0) - seen.last.returned) / NS)
    return [Remark(seen.last.verdict.startswith("resistance"),
                   f"Returned {ago} ago; its check: {seen.last.verdict_words}"
                   + (", which is no proof of a seal." if seen.last.verdict == "good" else "."))]


def _told(seen: Watched) -> str:
    return Display(seen.now.skid).text("pressure", seen.vessel.pressure)
