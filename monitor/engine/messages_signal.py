"""Faults of transmitters and reversed dP, in words: Emission -> Event."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from monitor.engine import codes, layout_signals
from monitor.engine.row_tier import Emission, RowTier
from monitor.engine.wording import BAR, DECIMALS, Words, clock, join
from monitor.model import NS, Event, Role, Transition
from monitor.skid import Signal, SkidSettings

DP_ROLES = (Role.INLET_PRESSURE, Role.OUTLET_PRESSURE, Role.DIFFERENTIAL_PRESSURE)


@dataclass(frozen=True, slots=True)
class Fault:
    """What a message is made from."""

    skid: SkidSettings
    signal: Signal
    emission: Emission
    health: np.record
    words: Words

    @property
    def tag(self) -> str:
        return f"{self.skid.name} ({self.skid.id}), {self.signal.id} ({str(self.signal.role).replace('-', ' ')})"

    @property
    def lasting(self) -> str:
        return span_of((self.emission.time - self.emission.onset) / NS)

    def raw(self, value: float) -> str:
        """A value in the transmitter's own unit, as in the recording."""
        decimals = DECIMALS.get(self.signal.unit, 2) + 1
        return f"{value:.{decimals}f} {self.signal.unit}"

    def difference(self, pascal: float) -> str:
        return self.words.difference(pascal)


def signal_event(emission: Emission, skid: SkidSettings, tier: RowTier) -> Event:
    """The event that an emission about a signal stands for."""
    fault = Fault(skid, skid.signals[emission.signal], emission, tier.state.health[emission.skid, emission.signal],
                  Words(skid))  # fmt: skip
    if emission.alarm == codes.REVERSE:
        return reverse_event(fault)
    detail = codes.DETAILS[emission.detail]
    raised = emission.code == codes.RAISED
    measured = detail in ("swapped", "zero-shift")
    return Event(
        time=emission.time,
        skid=skid.id,
        kind="signal-fault",
        transition=Transition.RAISED if raised else Transition.CLEARED,
        message=RAISED[detail](fault) if raised else cleared(fault, detail),
        vessel=fault.signal.vessel,
        signal=fault.signal.id,
        detail=detail,
        value=round(emission.value / BAR, 6) if measured else None,
        unit="bar" if measured else None,
        onset=emission.onset,
        evidence=evidence(fault, tier),
    )


def evidence(fault: Fault, tier: RowTier) -> dict[str, object]:
    """The numbers behind the event; values in the transmitter's unit, None where not known."""
    health = fault.health
    return {
        "unit": fault.signal.unit,
        "value": known(fault.emission.value),
        "last_reading": known(health.last),
        "heard": int(health.heard),
        "gone": int(health.gone),
        "noise": known(health.scatter),
        "smallest_change": known(health.quantum),
        "interval_s": known(health.interval / NS),
        "repeats": int(health.run),
        "changes_expected": known(health.expected),
        "idle_offset_pa": known(tier.state.skid[fault.emission.skid].idle_offset),
        "stops_it_was_learned_from": int(tier.state.skid[fault.emission.skid].idle_offset_known),
        "limits_s": {k: float(v) for k, v in fault.skid.alarms["signal-fault"].extra.items()},
    }


def known(value: float) -> float | None:
    return round(float(value), 6) if math.isfinite(value) else None


def span_of(seconds: float) -> str:
    """A length of time for a person.

    >>> span_of(61), span_of(600), span_of(7200)
    ('61 s', '10 min', '2.0 h')
    """
    if seconds < 300:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"


def unknown(fault: Fault) -> str:
    """What cannot be told without this signal."""
    role, roles = fault.signal.role, {s.role for s in fault.skid.signals}
    if role is Role.DIFFERENTIAL_PRESSURE and {Role.INLET_PRESSURE, Role.OUTLET_PRESSURE} <= roles:
        return "dP is taken from the two headers meanwhile."
    if role in DP_ROLES and not (role is not Role.DIFFERENTIAL_PRESSURE and Role.DIFFERENTIAL_PRESSURE in roles):
        return (
            "Until it is back dP is unknown: nothing is told of loading, changeouts or breaches, and alarms keep their "
            "state."
        )
    if role in DP_ROLES:
        return (
            "dP is taken from the transmitter across the headers meanwhile; what rests on this header alone is unknown."
        )
    if role is Role.FLOW:
        return (
            "Until it is back dP cannot be referred to reference flow: changeout-due keeps its state, dp-limit is "
            "judged as before."
        )
    if role is Role.TEMPERATURE:
        return "Until it is back the last temperature known is taken: each kelvin away from it changes dP by 2.5-3 %."
    if role is Role.VESSEL_PRESSURE:
        return f"Until it is back nothing is known of the pressure inside vessel {fault.signal.vessel}."
    return "What rests on it is unknown until it is back."


def stale(fault: Fault) -> str:
    never, worded, gone = fault.health.heard == 0, fault.health.bad_run > 0, fault.health.gone != 0
    since = f"silent since {clock(fault.emission.onset)} ({fault.lasting}), last {fault.raw(fault.health.last)}"
    said = f"not one reading since the skid's first row, {fault.lasting} ago" if never else since
    why = f"; what sends it is gone since {clock(fault.health.gone)}" if gone else ""
    why = why or ("; what comes is called bad by its source" if worded else "")
    return join(
        f"{fault.tag}: {said}{why}.",
        unknown(fault),
        "Check that the tag or topic is the configured one." if never else "",
        "Check the transmitter's supply, its wiring, and the gateway that sends it.",
    )


def frozen(fault: Fault) -> str:
    health = fault.health
    return join(
        f"{fault.tag}: exactly {fault.raw(fault.emission.value)} since {clock(fault.emission.onset)} "
        f"({fault.lasting}), where its own noise should have moved it some {health.expected:.0f} times.",
        unknown(fault),
        "Check the transmitter, a plugged or frozen impulse line, and whether a gateway repeats an old value.",
    )


def failed(fault: Fault) -> str:
    value, signal = fault.emission.value, fault.signal
    share = (value - signal.low) / (signal.high - signal.low)
    said = (
        f"{fault.tag}: at {fault.raw(value)}, {100 * share:.1f} % of its span, since {clock(fault.emission.onset)} "
        f"({fault.lasting}): beyond the failure limits of NAMUR NE 43 (-2.5 % and 106.25 %)."
    )
    if share < 0.5:
        return join(said, unknown(fault), "Check the loop for a broken wire, lost supply or a failed transmitter.")
    pressure = "pressure" in str(signal.role)
    over = (
        "If the loop did not fail, this is a real pressure above the transmitter's span: read the local gauge first, "
        "from a safe place."
        if pressure
        else "If the loop did not fail, the value is really above the transmitter's span: look at the process first."
    )
    return join(said, over, unknown(fault), "Then check the loop for a short circuit or a failed transmitter.")


def swapped(fault: Fault) -> str:
    outlet = next(s.id for s in fault.skid.signals if s.role is Role.OUTLET_PRESSURE)
    return join(
        f"{fault.tag} and {outlet}: dP reads {fault.difference(fault.emission.value)} since "
        f"{clock(fault.emission.onset)} ({fault.lasting}) although flow goes forward, so the two tags are swapped.",
        unknown(fault),
        "Check which transmitter is on which header, the wiring at the junction box, and the tag or topic of each.",
    )


def zero_shift(fault: Fault) -> str:
    by = fault.difference(abs(fault.emission.value)) + (" more" if fault.emission.value > 0 else " less")
    pair = fault.signal.role is not Role.DIFFERENTIAL_PRESSURE
    other = next((s.id for s in fault.skid.signals if s.role in DP_ROLES[:2] and s.id != fault.signal.id), "")
    doubt = f" The evidence may not tell it from {other}: check both." if pair and other else ""
    return join(
        f"{fault.tag}: without flow and with an equal path dP should read what it did at earlier stops, or nothing; it "
        f"reads {by}, seen in the stop since {clock(fault.emission.onset)}. A zero has shifted.{doubt}",
        "dP is not told from it until the zero is trimmed or has come back: changeout-due and breach keep their state; "
        "dp-limit is still judged, and wrong by as much.",
        "Check the zero with the transmitter equalised or vented at its manifold, and trim it there or approve a trim "
        "here.",
    )


def spikes(fault: Fault) -> str:
    return join(
        f"{fault.tag}: {layout_signals.SPIKES_KEPT} or more lone spikes within "
        f"{span_of(fault.skid.alarms['signal-fault'].extra['spikes'])}, the first of them "
        f"{clock(fault.emission.onset)}; the newest read {fault.raw(fault.health.spike)} among readings of "
        f"{fault.raw(fault.health.around)}.",
        "Lone spikes are left out of the values that alarms are judged by; what is left is less sure.",
        "Check the shield and earth of its cable, loose terminals, and drives or radios near it.",
    )


def cleared(fault: Fault, detail: str) -> str:
    words = {
        "stale": f"is heard again since {clock(fault.health.heard)}",
        "out-of-range": f"is back within its limits since {clock(fault.emission.onset)}",
        "frozen": f"moves again since {clock(fault.emission.onset)}",
        "swapped": "and the other header show dP the right way round again",
        "zero-shift": "shows the zero it had: dP without flow is back",
        "spikes": f"has had no spike for {span_of(fault.skid.alarms['signal-fault'].extra['spikes'])}",
    }
    return f"{fault.tag} {words[detail]}. It is used again."


RAISED: dict[str, Callable[[Fault], str]] = {
    "stale": stale,
    "frozen": frozen,
    "out-of-range": failed,
    "swapped": swapped,
    "zero-shift": zero_shift,
    "spikes": spikes,
}


def reverse_event(fault: Fault) -> Event:
    """dP that is truly reversed: the process's own doing."""
    by = fault.difference(fault.emission.value)
    return Event(
        time=fault.emission.time,
        skid=fault.skid.id,
        kind="reverse-dp",
        transition=Transition.NOTED,
        message=join(
            f"{fault.skid.name} ({fault.skid.id}): dP is reversed, {by} since {clock(fault.emission.onset)}: the "
            "outlet header holds more pressure than the inlet. Reversed dP lifts elements off their seats and can push "
            "dirt back.",
            "Check the check valve after the skid and what drains the inlet; look at dP after the restart: lower than "
            "before means that an element no longer seals.",
        ),
        value=round(fault.emission.value / BAR, 6),
        unit="bar",
        onset=fault.emission.onset,
        evidence={"reversed_pa": round(fault.emission.value, 3)},
    )
