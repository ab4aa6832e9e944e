"""What can be told of each vessel from outside: which way its valves seem to stand, and what pressure it holds.

Never more than an inference: a transmitter reads its own impulse line, not the vessel. A low reading is said with
what it does not prove. Where a vessel has no transmitter, the headers tell how many carry flow: as many as usual, less
the one that the engine saw leave; which ones, only where that leaves no choice.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from monitor.model import NS, Quality, Role
from monitor.skid import Signal
from monitor.web.data import LiveValue, SkidNow
from monitor.web.words import Display, utc

PRESSURISED = 0.2e5     # headers below this tell nothing of valves, Pa
ACCURACY = 0.01         # of the span, of each transmitter; common practice, no source
RETURN = 0.1e5          # what is left in a vessel, or comes back, is called so from here, Pa
CARRYING = 0.05         # of reference flow: above it something flows
OLD_S = 120.0           # a reading so far behind the skid's newest says nothing about now
PROVE = "prove zero at the local gauge and an open vent"


class Valves(StrEnum):
    OPEN = "open"
    SHUT = "shut"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class VesselNow:
    """One vessel. pressure: Pa gauge as its transmitter reads, NaN where none can be believed."""

    name: str
    valves: Valves
    pressure: float
    tag: str | None
    words: str

    @property
    def adverse(self) -> bool:
        """Shut off, and pressure is still seen in it."""
        return self.valves is Valves.SHUT and self.pressure >= RETURN


def vessels_now(now: SkidNow) -> tuple[VesselNow, ...]:
    """Every vessel of a skid, in pipe order: by its own pressure, else by what the headers leave open."""
    own = tuple(_vessel(now, name) for name in now.skid.vessels)
    unseen = [v.name for v in own if not math.isfinite(v.pressure)]
    if not unseen or not carrying(now):
        return own
    left = in_service(now) - sum(v.valves is Valves.OPEN for v in own)
    return tuple(v if math.isfinite(v.pressure) else _by_headers(now, v, unseen, left) for v in own)


def carrying(now: SkidNow) -> bool:
    """Whether water flows through the skid, as far as its newest minute tells."""
    minute = now.minute
    return minute is not None and math.isfinite(minute.flow) and minute.flow >= CARRYING * now.skid.reference.flow


def in_service(now: SkidNow) -> int:
    """How many vessels carry flow, as the headers show it: as many as usual, less one that was seen to leave."""
    return now.skid.in_service - (now.isolation is not None)


def _by_headers(now: SkidNow, vessel: VesselNow, unseen: Sequence[str], left: int) -> VesselNow:
    """A vessel without a pressure of its own. unseen: all such; left: how many of them carry flow."""
    since = "" if now.isolation is None else f", since {utc(now.isolation.since)}"
    why = vessel.words
    if left >= len(unseen):
        return replace(vessel, valves=Valves.OPEN, words=f"in service, as the headers suggest; {why}")
    if left <= 0:
        words = f"shut off, as the headers suggest{since}; its pressure is not known: {PROVE}"
        return replace(vessel, valves=Valves.SHUT, words=words)
    among = ", ".join(unseen)
    return replace(vessel, words=f"{left} of {among} in service, as the headers suggest{since}; they do not tell which")


def headers(now: SkidNow) -> tuple[float, float]:
    """Inlet and outlet pressure now, Pa; NaN where not measured or not believable."""
    return (_pressure(now, _first(now, Role.INLET_PRESSURE)), _pressure(now, _first(now, Role.OUTLET_PRESSURE)))


def service_count(now: SkidNow, found: Sequence[VesselNow]) -> tuple[int, int] | None:
    """(how many carry flow, all), or None where that cannot be told."""
    seen = sum(v.valves is Valves.OPEN for v in found)
    if any(v.valves is Valves.UNKNOWN for v in found):
        return (max(in_service(now), seen), len(found)) if carrying(now) else None
    return seen, len(found)


def _vessel(now: SkidNow, name: str) -> VesselNow:
    value = next((v for v in now.values if v.signal.role is Role.VESSEL_PRESSURE and v.signal.vessel == name), None)
    if value is None:
        return VesselNow(name, Valves.UNKNOWN, math.nan, None, "no transmitter in it")
    pressure, tag = _pressure(now, value), value.signal.id
    if not math.isfinite(pressure):
        return VesselNow(name, Valves.UNKNOWN, math.nan, tag, "its transmitter gives nothing to go by")
    valves, words = _valves(now, value.signal, pressure)
    return VesselNow(name, valves, pressure, tag, words)


def _valves(now: SkidNow, signal: Signal, pressure: float) -> tuple[Valves, str]:
    inlet, outlet = headers(now)
    show = Display(now.skid)
    if not math.isfinite(inlet):
        return Valves.UNKNOWN, "no inlet pressure to compare with"
    if inlet < PRESSURISED:
        return Valves.UNKNOWN, "the headers carry no pressure: valves cannot be told"
    error = 2 * ACCURACY * abs(signal.scale) * (signal.high - signal.low)
    floor = outlet if math.isfinite(outlet) and outlet <= inlet else inlet
    if floor - error <= pressure <= inlet + error:
        return Valves.OPEN, "open to the headers, as inferred"
    if pressure < RETURN:
        return Valves.SHUT, f"shut off, as inferred; a low reading proves nothing: {PROVE}"
    return Valves.SHUT, f"shut off, as inferred; still {show.text('pressure', pressure)} in it"


def _first(now: SkidNow, role: Role) -> LiveValue | None:
    return next((v for v in now.values if v.signal.role is role), None)


def _pressure(now: SkidNow, value: LiveValue | None) -> float:
    """Pa; NaN where there is no reading, a bad one or an old one."""
    if value is None or value.time is None or value.quality >= Quality.BAD or now.newest is None:
        return math.nan
    allowed = max(OLD_S, value.signal.max_silence_s or 0.0)
    if now.newest - value.time > allowed * NS:
        return math.nan
    return value.value * value.signal.scale + value.signal.offset
