"""What may be turned: keys of `[alarm.KIND]` with how far it is sensible to go.

Values are numbers in the unit they are written in, with two significant figures: a fragment of a configuration is for
people, and equal sets are worked out once.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from monitor.config import KINDS, defaults_for
from monitor.config.unit_tables import DIMENSIONS
from monitor.config.units import parse_quantity
from monitor.config.wording import RefusalError
from monitor.errors import InputError
from monitor.skid import AlarmSettings, SkidSettings

# KIND: KEY: from, to; in s, in %, in bar. Common practice, no source.
RANGES: dict[str, dict[str, tuple[float, float]]] = {
    "changeout-due": {"limit": (60, 115), "on_delay": (5, 300), "off_delay": (15, 900), "deadband": (2, 30),
                      "settle": (20, 900), "min_flow_fraction": (10, 60)},
    "changeout-forecast": {"notice": (3_600, 172_800)},
    "dp-limit": {"limit": (50, 98), "on_delay": (2, 120), "off_delay": (5, 300), "deadband": (0.5, 15)},
    "element-breach": {"loss": (5, 40), "likely_loss": (30, 80)},
    "changeout-done": {"isolation": (60, 1_200)},
    "changeout-suspect": {"low": (50, 95), "high": (105, 200)},
    "closure-seep": {"thermal": (0.02, 0.5), "noise_ratio": (100, 1_000), "on_delay": (5, 300)},
    "signal-fault": {"failed_loop": (5, 300), "stale": (10, 900), "frozen": (60, 3_600), "swapped": (30, 900),
                     "spikes": (120, 3_600), "zero_shift": (300, 3_600)},
    "surge": {"limit": (0.3, 5), "off_delay": (15, 900)},
    "flow-blocked": {"on_delay": (2, 120), "off_delay": (5, 300)},
}  # fmt: skip
# What is measured, rather than when it is told, changes with these. Only if asked.
IF_ASKED = (("changeout-due", "settle"), ("changeout-due", "min_flow_fraction"), ("signal-fault", "swapped"),
            ("signal-fault", "zero_shift"))  # fmt: skip
SI = {"s": 1.0, "%": 0.01, "bar": 1e5}
DIMENSION_UNITS = {"time": "s", "fraction": "%", "pressure": "bar"}


@dataclass(frozen=True, slots=True)
class Knob:
    """One key, in `unit`. today: of the configuration as it is; usual: where that says nothing."""

    kind: str
    key: str
    unit: str
    low: float
    high: float
    today: float
    usual: float

    @property
    def name(self) -> str:
        return f"alarm.{self.kind}.{self.key}"

    @property
    def is_logarithmic(self) -> bool:
        return self.low > 0 and self.high / self.low >= 8

    def at(self, share: float) -> float:
        """The value at a share of the way from low to high, rounded."""
        share = min(max(share, 0.0), 1.0)
        if self.is_logarithmic:
            return rounded(self.low * (self.high / self.low) ** share)
        return rounded(self.low + (self.high - self.low) * share)

    def share(self, value: float) -> float:
        """Where a value lies between low and high, 0 to 1."""
        if self.is_logarithmic:
            return math.log(max(value, self.low * 1e-6) / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)

    def written(self, value: float) -> str:
        """As it stands in a file."""
        return f"{value:g} {self.unit}"

    def steps(self, count: int) -> list[float]:
        """Values from low to high, evenly."""
        return sorted({self.at(i / (count - 1)) for i in range(count)})


def rounded(value: float) -> float:
    """Two significant figures, three from 1 to 2 of a power of ten.

    >>> rounded(0.1234), rounded(87.3), rounded(1234)
    (0.123, 87.0, 1230.0)
    """
    if value == 0:
        return 0.0
    digits = 1 - math.floor(math.log10(abs(value)))
    leading = abs(value) / 10 ** math.floor(math.log10(abs(value)))
    return float(round(value, digits + (1 if leading < 2 else 0)))


def knobs_of(skid: SkidSettings, kinds: Iterable[str]) -> list[Knob]:
    """Knobs of these kinds, in the order of the table; the way is lengthened to where the skid stands today."""
    wanted = set(kinds)
    return [_knob(skid, kind, key, low, high) for kind, keys in RANGES.items() if kind in wanted
            for key, (low, high) in keys.items() if (kind, key) not in IF_ASKED]  # fmt: skip


def chosen_knobs(skid: SkidSettings, asked: Sequence[str]) -> list[Knob]:
    """Knobs as typed: `alarm.dp-limit.on_delay`, or with its way, `alarm.dp-limit.on_delay=2 s..60 s`."""
    return [_typed(skid, text) for text in asked]


def _typed(skid: SkidSettings, text: str) -> Knob:
    name, sign, way = text.partition("=")
    parts = name.strip().split(".")
    if len(parts) != 3 or parts[0] != "alarm" or parts[2] not in RANGES.get(parts[1], {}):
        every = ", ".join(f"alarm.{kind}.{key}" for kind, keys in RANGES.items() for key in keys)
        raise InputError(f"--vary {text}: no such key; accepted: KEY or KEY=LOW..HIGH with KEY one of {every}")
    knob = _knob(skid, parts[1], parts[2], *RANGES[parts[1]][parts[2]])
    if not sign:
        return knob
    low, dots, high = way.partition("..")
    bounds = [_number(end, knob, text) for end in (low, high)] if dots else []
    if len(bounds) != 2 or not bounds[0] < bounds[1]:
        raise InputError(f"--vary {text}: accepted: {knob.name}={knob.written(knob.low)}..{knob.written(knob.high)}")
    return replace(knob, low=bounds[0], high=bounds[1])


def _number(text: str, knob: Knob, typed: str) -> float:
    dimension = next(d for d, unit in DIMENSION_UNITS.items() if unit == knob.unit)
    try:
        return parse_quantity(text.strip(), dimension) / SI[knob.unit]
    except RefusalError as error:
        raise InputError(f"--vary {typed}: found {error.found}; accepted: {DIMENSIONS[dimension].accepted}") from None


def _knob(skid: SkidSettings, kind: str, key: str, low: float, high: float) -> Knob:
    unit, today = _value(skid, skid.alarms[kind], key)
    _, usual = _value(skid, defaults_for(kind, skid.element), key)
    low, high = min(low, today) if today > 0 else low, max(high, today)
    return Knob(kind, key, unit, low, high, rounded(today), rounded(usual))


def _value(skid: SkidSettings, now: AlarmSettings, key: str) -> tuple[str, float]:
    """Unit a key is written in, and its value in it."""
    rule = KINDS[now.kind]
    if key in ("on_delay", "off_delay", "settle"):
        return "s", {"on_delay": now.on_delay_s, "off_delay": now.off_delay_s, "settle": now.settle_s}[key]
    if key in ("limit", "deadband"):
        relative = rule.limit_relative if key == "limit" else rule.deadband_relative
        value = (now.limit or 0.0) if key == "limit" else now.deadband
        base = skid.element.changeout_dp if rule.base == "changeout_dp" else skid.element.max_dp
        return ("%", 100 * value / base) if relative else ("bar", value / SI["bar"])
    extra = next(e for e in rule.extras if e.key == key)
    unit = DIMENSION_UNITS[extra.dimension]
    return unit, now.extra[extra.stored_as] / SI[unit]
