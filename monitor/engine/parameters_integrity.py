"""Settings of `surge`, `flow-blocked` and `closure-seep` as the row tier's parameter records."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from monitor.engine import layout_integrity
from monitor.model import NS, Role
from monitor.skid import AlarmSettings, SkidSettings

HALF = 0.5      # what is judged by delays alone is 1 or 0


def fill_integrity(row: np.record, skid: SkidSettings) -> None:
    """One skid's `integrity_parameters`."""
    surge, seep = skid.alarms["surge"], skid.alarms["closure-seep"]
    row["surge_enabled"], row["surge_off"] = surge.enabled, round(surge.off_delay_s * NS)
    row["surge_limit"] = surge.limit if surge.limit is not None else np.inf
    # A standby that leaves makes dP jump, but to what one set of elements may show.
    row["least_shut"] = skid.element.changeout_dp if skid.in_service < len(skid.vessels) else 0.0
    row["seep_enabled"], row["seep_off"] = seep.enabled, round(seep.off_delay_s * NS)
    row["thermal"], row["spillage"] = seep.extra["thermal"], round(seep.extra["spillage"] * NS)
    sensors = [(k, s) for k, s in enumerate(skid.signals) if s.role is Role.LEAK_SENSOR][: layout_integrity.LEAKS]
    row["leaks"] = len(sensors)
    row["leak_signal"], row["leak_vessel"] = -1, -1
    for j, (k, signal) in enumerate(sensors):
        row["leak_signal"][j] = k
        if signal.vessel is not None:
            row["leak_vessel"][j] = skid.vessels.index(signal.vessel)


def fill_delays(rows: npt.NDArray[np.void], skid: SkidSettings) -> None:
    """Delays of what is told by a condition that holds or not."""
    for position, kind in ((layout_integrity.PATH, "flow-blocked"), (layout_integrity.WET, "closure-seep")):
        _fill(rows[position], skid.alarms[kind])


def _fill(row: np.record, settings: AlarmSettings) -> None:
    row["enabled"], row["limit"], row["clear"] = settings.enabled, HALF, HALF
    row["on_delay"], row["off_delay"] = round(settings.on_delay_s * NS), round(settings.off_delay_s * NS)
