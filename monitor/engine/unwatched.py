"""What was not watched across a stop: when nothing flowed, and when nothing was heard of what tells dP."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from monitor.engine import codes
from monitor.engine.row_tier import Emission
from monitor.model import NS, Role
from monitor.skid import SkidSettings

if TYPE_CHECKING:
    from monitor.engine.story import Story

TELLING = (Role.INLET_PRESSURE, Role.OUTLET_PRESSURE, Role.DIFFERENTIAL_PRESSURE)
NO_FLOW, NO_READINGS = "no flow", "no readings"
SAME = 120 * NS          # ends that lie no further apart are one


class Span(msgspec.Struct):
    """what: one of the two above; signals: of which nothing was heard; since, until [ns]."""

    what: str
    since: int
    until: int
    signals: list[str] = []


class Silence(msgspec.Struct):
    """Signals that tell dP and are silent, with when they were last heard; the last span in which any was."""

    now: dict[str, int] = {}
    last: Span | None = None


def follow_silence(skid: SkidSettings, story: Story, emission: Emission) -> None:
    """Take in that a signal fell silent or is heard again."""
    signal, silence = skid.signals[emission.signal], story.silence
    if emission.alarm != codes.SIGNAL_FAULT or emission.detail != codes.STALE or signal.role not in TELLING:
        return
    if emission.code == codes.RAISED:
        silence.now[signal.id] = emission.onset
        return
    since, until, last = silence.now.pop(signal.id, None), emission.onset, silence.last
    if since is None:
        return
    if last is None or since > last.until:
        silence.last = Span(NO_READINGS, since, until, [signal.id])
    else:
        names = sorted({*last.signals, signal.id})
        silence.last = Span(NO_READINGS, min(since, last.since), max(until, last.until), names)


def across(story: Story, stopped: int, started: int) -> list[Span]:
    """Between the last level before a stop and the first flow after it."""
    stop, silent = Span(NO_FLOW, stopped, started), story.silence.last
    if silent is None or silent.until < stopped or silent.since > started:
        return [stop]
    if silent.since <= stopped + SAME and silent.until >= started - SAME:
        return [silent]
    return [stop, silent]
