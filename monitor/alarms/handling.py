"""How a kind of alarm is dealt with: the catalogue's answer, over which configuration may put its own."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from monitor.alarms.catalogue import CATALOGUE, Kind
from monitor.skid import AlarmSettings, Handling, SkidSettings

HOUR_S = 3600.0


def handling_of(kind: str, given: Mapping[str, Any] | None = None) -> Handling | None:
    """The handling of a kind with what is given (names of `Handling`); None for what is no alarm."""
    if kind not in CATALOGUE:
        return None
    return Handling(**(_defaults(CATALOGUE[kind]) | dict(given or {})))


def _defaults(kind: Kind) -> dict[str, Any]:
    return {
        "priority": kind.priority, "consequence": kind.consequence, "response": kind.response,
        "respond_within_s": 60.0 * kind.respond_within_min, "latching": kind.latching,
        "realarm_s": HOUR_S * kind.realarm_h, "shelve_limit_s": HOUR_S * kind.shelve_h,
    }  # fmt: skip


def handlings(skid: SkidSettings | None) -> dict[str, Handling]:
    """By kind, for one skid; None: the monitor itself."""
    alarms: Mapping[str, AlarmSettings] = {} if skid is None else skid.alarms
    found = {kind: alarms[kind].handling if kind in alarms else None for kind in CATALOGUE}
    return {kind: told or Handling(**_defaults(CATALOGUE[kind])) for kind, told in found.items()}


def rationalisation(skid: SkidSettings) -> Iterable[tuple[str, Handling, bool]]:
    """Kind, handling and whether it is on: the rows of the rationalisation table, the most urgent first."""
    found = handlings(skid)
    order = ("high", "medium", "low")
    for kind in sorted(found, key=lambda k: (order.index(found[k].priority), found[k].respond_within_s, k)):
        yield kind, found[kind], kind not in skid.alarms or skid.alarms[kind].enabled
