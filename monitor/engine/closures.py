"""What holds have said of closures, drains and valves: four answers, of which two admit that nothing is known."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import msgspec

from monitor.engine.wording import clock
from monitor.model import Role
from monitor.skid import SkidSettings

if TYPE_CHECKING:
    from monitor.engine.story import Story

NOT_TESTED, UNDETERMINED, NO_LOSS, SEEPING = "not tested", "undetermined", "no loss seen", "seeping"
IDLE_SKID = ""           # in place of a vessel's name


class HoldAnswer(msgspec.Struct):
    """What a hold said of what keeps a vessel (or the idle skid) shut. answer: one of the four; why: part of a
    sentence; since, until [ns], None where it was not held."""

    answer: str
    why: str
    since: int | None = None
    until: int | None = None


def in_changeout(skid: SkidSettings, story: Story, vessel: str | None) -> HoldAnswer:
    """What was seen of a vessel's closure between its isolation and its return; vessel None: which one is not known."""
    cannot = _cannot(skid, vessel)
    if cannot is None and vessel is None:
        cannot = "it is not known which vessel it was"
    if cannot is not None or vessel is None:
        return HoldAnswer(NOT_TESTED, cannot or "")
    hold = story.holds.get(vessel)
    if hold is None or hold.until is None or hold.until < story.isolated_at:
        return HoldAnswer(NOT_TESTED, "it was not held full and shut for a minute before it came back")
    return hold


def last_of(skid: SkidSettings, holds: Mapping[str, HoldAnswer], vessel: str) -> HoldAnswer:
    """The last that was seen of a vessel's closure."""
    cannot = _cannot(skid, vessel)
    if cannot is not None:
        return HoldAnswer(NOT_TESTED, cannot)
    return holds.get(vessel) or HoldAnswer(NOT_TESTED, "it has not been held full and shut for a minute so far")


def _cannot(skid: SkidSettings, vessel: str | None) -> str | None:
    """Why a vessel's holds are not seen at all."""
    if not skid.alarms["closure-seep"].enabled:
        return "closure-seep is switched off in the configuration"
    if not any(vessel in (None, s.vessel) for s in skid.with_role(Role.VESSEL_PRESSURE)):
        return "no transmitter measures the pressure in it"
    return None


def sentence(hold: HoldAnswer) -> str:
    """For a message about the changeout."""
    held = "" if hold.since is None or hold.until is None else (
        f" while held shut from {clock(hold.since)} to {clock(hold.until)}")  # fmt: skip
    return f"Closure, drain and valves{held}: {hold.answer} ({hold.why})."
