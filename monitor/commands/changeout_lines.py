"""Changeouts of a first replay as lines: dates, life, volume, verdict."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from monitor.model import NS

if TYPE_CHECKING:
    from monitor.engine.messages_changeout import Changeout
    from monitor.replay.minutes import Minutes
    from monitor.skid import SkidSettings

SOME_FLOW = 0.05            # of the reference: less is no flow
US_GALLONS = 1 / 3.785412e-3        # in a m^3: NIST SP 811, appendix B.8
FLOW = 2                    # column of `Minutes.values`, m^3/h


def changeout_lines(
    changeouts: Sequence[Changeout], timezone: str | None, minutes: Minutes, skid: SkidSettings
) -> Iterator[str]:  # fmt: skip
    """A line each. Where no vessel is named, what went through the skid since the changeout before; where its life
    began before the recording, since that began, which is the least that it can be."""
    if not changeouts:
        yield "changeouts none seen"
    before: int | None = None
    for c in sorted(changeouts, key=lambda one: one.isolated_at):
        told = [_clock(c.isolated_at, timezone), "to", _clock(c.returned_at, timezone), c.vessel or "a vessel"]
        known = _life(c, skid) or _since(minutes, None if c.vessel else before, c.isolated_at, skid,
                                               least=c.vessel is not None)
        yield f"changeout {' '.join(told)}, {known}, {c.finding.verdict}"
        before = c.returned_at
    if any(c.vessel is None for c in changeouts):
        yield "          which vessel it was these signals do not tell: its own life and volume are not known"


def _life(c: Changeout, skid: SkidSettings) -> str:
    if c.running_s is None:
        return ""
    known = c.volume is not None and c.volume == c.volume
    return f"{c.running_s / 3600:.1f} h with flow, {_volume(c.volume, skid) if known else 'volume not known'}"


def _since(minutes: Minutes, before: int | None, until: int, skid: SkidSettings, *, least: bool) -> str:
    first = 0 if before is None else int(np.searchsorted(minutes.time, before))
    flow = minutes.values[first : int(np.searchsorted(minutes.time, until)), FLOW]
    if not np.isfinite(flow).any():
        return "life not known, volume not known"
    running = float(np.sum(flow > SOME_FLOW * skid.reference.flow * 3600)) / 60
    since = "the recording began" if before is None else "the one before"
    told = f"{'at least ' if least else ''}{running:.1f} h with flow"
    return f"{told} and {_volume(float(np.nansum(flow)) / 60, skid)} through the skid since {since}"


def _volume(cubic_metres: float | None, skid: SkidSettings) -> str:
    volume = cubic_metres or 0.0
    if skid.display_units["flow"] == "US gpm":
        return f"{volume * US_GALLONS:,.0f} US gal"
    return f"{volume:,.1f} m³"


def _clock(time: int, timezone: str | None) -> str:
    zone = ZoneInfo(timezone or "UTC")
    return f"{datetime.fromtimestamp(time // NS, zone):%Y-%m-%d %H:%M %Z}"
