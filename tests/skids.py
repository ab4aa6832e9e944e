"""A small skid and streams of readings for tests of the middle."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from monitor.config import KINDS, defaults_for
from monitor.model import NS, Role, Rows
from monitor.skid import Element, Reference, Signal, SkidSettings

BAR = 1e5
START = 1_750_000_000 * NS
FAULT_TIMES = {
    "failed_loop": 30.0, "stale": 60.0, "frozen": 300.0, "swapped": 120.0, "spikes": 600.0, "zero_shift": 900.0,
}  # fmt: skip
UNITS = {"pressure": "bar", "flow": "m^3/h", "temperature": "degC", "turbidity": "NTU"}


def signal(name: str, role: Role, unit: str, high: float, scale: float, offset: float = 0.0, **more: object) -> Signal:
    return Signal(name, role, f"t/{name}", unit, 0.0, high, scale, offset, **more)  # type: ignore[arg-type]


def duplex(*, vessels: int = 2, flow: bool = True, on_delay: float = 15.0, settle: float = 120.0, lateness: float = 2.0,
           changeout: float = 1.0, limit: float = 2.4, clean: float | None = 0.16) -> SkidSettings:
    """Inlet, outlet, and where asked flow and temperature; reference 40 m^3/h at 15 degC."""
    signals = [
        signal("in", Role.INLET_PRESSURE, "bar", 10.0, BAR),
        signal("out", Role.OUTLET_PRESSURE, "bar", 10.0, BAR),
    ]
    if flow:
        signals.append(signal("flow", Role.FLOW, "m^3/h", 60.0, 1 / 3600))
        signals.append(signal("temp", Role.TEMPERATURE, "degC", 40.0, 1.0, 273.15))
    element = Element(changeout * BAR, limit * BAR, clean_dp=None if clean is None else clean * BAR)
    alarms = {kind: defaults_for(kind, element) for kind in KINDS}
    alarms["changeout-due"] = replace(alarms["changeout-due"], on_delay_s=on_delay, settle_s=settle)
    return SkidSettings(
        id="s", name="Test skid", vessels=tuple(f"v{k}" for k in range(vessels)), in_service=vessels,
        element=element,
        reference=Reference(40 / 3600, 288.15), signals=tuple(signals),
        alarms=alarms,
        display_units=UNITS, lateness_s=lateness,
    )  # fmt: skip


def stream(columns: dict[int, npt.ArrayLike], *, every: float = 1.0, start: int = START) -> Rows:
    """Columns sampled together: signal index -> values; NaN is no sample."""
    names = sorted(columns)
    values = np.stack([np.broadcast_to(np.asarray(columns[k], float), np.shape(columns[names[0]])) for k in names], 1)
    time = start + np.round(np.arange(len(values)) * every * NS).astype(np.int64)
    row, column = np.nonzero(~np.isnan(values))
    return Rows(
        time[row], np.array(names, np.int16)[column], values[row, column], np.zeros(row.size, np.uint8)
    )


def steady(dp: npt.ArrayLike, *, flow: npt.ArrayLike = 40.0, temperature: npt.ArrayLike = 15.0, outlet: float = 2.0,
           every: float = 1.0) -> Rows:
    """A duplex whose headers differ by dp [bar]; flow in m^3/h, temperature in degC."""
    drop = np.asarray(dp, float)
    return stream({0: outlet + drop, 1: np.full(drop.shape, outlet), 2: np.broadcast_to(flow, drop.shape),
                   3: np.broadcast_to(temperature, drop.shape)}, every=every)  # fmt: skip
