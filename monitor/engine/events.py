"""What the row tier emits, in words: Emission -> Event."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import numpy as np

from monitor.alarms.catalogue import CATALOGUE, CAUTION
from monitor.config.units import from_si
from monitor.engine import layout
from monitor.engine.parameters import ALARM_ORDER
from monitor.engine.row_tier import Emission, RowTier
from monitor.model import NS, Event, Role, SkidSettings, Transition

BAR = 1e5
DECIMALS = {"bar": 2, "mbar": 0, "kPa": 0, "psi": 1, "m^3/h": 1, "US gpm": 0, "L/min": 0, "mL/min": 0, "degC": 1, "degF": 1}


def event_of(emission: Emission, skid: SkidSettings, tier: RowTier) -> Event | None:
    """The event an emission stands for; None where it is for the engine's own use."""
    if emission.alarm not in (layout.DUE, layout.LIMIT):
        return None
    kind = ALARM_ORDER[emission.alarm]
    frame = tier.state.skid[emission.skid]
    raised = emission.code == layout.RAISED
    value = float(frame.normalised if kind == "changeout-due" else frame.sustained)
    words = Words(skid)
    message = MESSAGES[kind](words, skid, frame, emission, raised)
    return Event(
        time=emission.time,
        skid=skid.id,
        kind=kind,
        transition=Transition.RAISED if raised else Transition.CLEARED,
        message=message,
        value=round(value / BAR, 6),
        unit="bar",
        onset=emission.onset,
        evidence=evidence(skid, frame, kind),
    )


def evidence(skid: SkidSettings, frame: np.record, kind: str) -> dict[str, object]:
    """The numbers behind the event, SI; None where not known."""
    known = lambda x: round(float(x), 6) if np.isfinite(x) else None  # noqa: E731
    settings = skid.alarms[kind]
    return {
        "inlet_pa": known(frame.inlet),
        "outlet_pa": known(frame.outlet),
        "pressure_drop_pa": known(frame.pressure_drop),
        "normalised_pa": known(frame.normalised),
        "flow_m3s": known(frame.flow),
        "temperature_k": known(frame.temperature),
        "limit_pa": settings.limit,
        "clear_below_pa": None if settings.limit is None else settings.limit - settings.deadband,
        "on_delay_s": settings.on_delay_s,
        "flow_measured": bool(skid.with_role(Role.FLOW)),
    }


class Words:
    """Quantities in a skid's display units."""

    def __init__(self, skid: SkidSettings) -> None:
        self.units = skid.display_units

    def quantity(self, name: str, si: float) -> str:
        unit = self.units[name]
        return f"{from_si(si, unit):.{DECIMALS.get(unit, 2)}f} {unit}"

    def pressure(self, pascal: float) -> str:
        return self.quantity("pressure", pascal)


def clock(time: int) -> str:
    return datetime.fromtimestamp(time // NS, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def conditions(words: Words, frame: np.record) -> str:
    """Actual dP with the flow and temperature it was seen at, as far as they are known."""
    parts = [f"actual dP {words.pressure(frame.pressure_drop)}"]
    if np.isfinite(frame.flow):
        parts.append(f"at {words.quantity('flow', frame.flow)}")
    if np.isfinite(frame.temperature):
        parts.append(f"and {words.quantity('temperature', frame.temperature)}")
    return " ".join(parts)


def unmeasured(skid: SkidSettings) -> str:
    """What was assumed because nothing measures it."""
    said = []
    if not skid.with_role(Role.FLOW):
        said.append("Flow is not measured and taken as constant: demand can look like loading.")
    if not skid.with_role(Role.TEMPERATURE):
        said.append("Temperature is not measured: 1 K changes dP by 2.5-3 %.")
    return " ".join(said)


def tags(skid: SkidSettings) -> str:
    """Tag numbers of the transmitters that tell dP."""
    roles = (Role.INLET_PRESSURE, Role.OUTLET_PRESSURE, Role.DIFFERENTIAL_PRESSURE)
    return ", ".join(s.id for s in skid.signals if s.role in roles)


def join(*sentences: str) -> str:
    return " ".join(s for s in sentences if s)


def due_message(words: Words, skid: SkidSettings, frame: np.record, emission: Emission, raised: bool) -> str:
    limit = words.pressure(skid.alarms["changeout-due"].limit or 0.0)
    seen = f"{skid.name} ({skid.id}, {tags(skid)}): dP at reference flow and temperature"
    if not raised:
        clear = words.pressure((skid.alarms["changeout-due"].limit or 0.0) - skid.alarms["changeout-due"].deadband)
        return join(
            f"{seen} is {words.pressure(frame.normalised)}, below {clear} since {clock(emission.onset)} "
            f"({conditions(words, frame)}): no changeout is due.",
            unmeasured(skid),
        )
    kind = CATALOGUE["changeout-due"]
    return join(
        f"{seen} has been at or above {limit} since {clock(emission.onset)}, now {words.pressure(frame.normalised)} "
        f"({conditions(words, frame)}).",
        kind.meaning,
        kind.response,
        unmeasured(skid),
        CAUTION,
    )


def limit_message(words: Words, skid: SkidSettings, frame: np.record, emission: Emission, raised: bool) -> str:
    settings = skid.alarms["dp-limit"]
    limit, maximum = words.pressure(settings.limit or 0.0), words.pressure(skid.element.max_dp)
    seen = f"{skid.name} ({skid.id}, {tags(skid)}): actual dP"
    if not raised:
        clear = words.pressure((settings.limit or 0.0) - settings.deadband)
        return f"{seen} is {words.pressure(frame.sustained)}, below {clear} since {clock(emission.onset)}."
    kind = CATALOGUE["dp-limit"]
    return join(
        f"{seen} has been at or above {limit} since {clock(emission.onset)}, now {words.pressure(frame.sustained)}; "
        f"the elements are built for {maximum}.",
        kind.meaning,
        kind.response,
        CAUTION,
    )


MESSAGES: dict[str, Callable[[Words, SkidSettings, np.record, Emission, bool], str]] = {
    "changeout-due": due_message,
    "dp-limit": limit_message,
}
