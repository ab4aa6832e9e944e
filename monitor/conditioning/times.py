"""How long each fault of a signal may last before it is one (contract, Defaults)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultTimes:
    """Seconds; zero_shift counts from the stop of flow. ValueError names what is not positive and finite.

    >>> FaultTimes(failed_loop=30, stale=60, frozen=300, swapped=120, spikes=600, zero_shift=900).frozen
    300
    """

    failed_loop: float
    stale: float
    frozen: float
    swapped: float
    spikes: float
    zero_shift: float

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if not 0 < value < math.inf:
                raise ValueError(f"{field.name} must be positive and finite, got {value}")

    @classmethod
    def of(cls, extra: Mapping[str, float]) -> FaultTimes:
        """From the keys of `[alarm.signal-fault]`."""
        return cls(**{field.name: extra[field.name] for field in fields(cls)})
