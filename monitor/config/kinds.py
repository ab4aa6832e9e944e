"""The kinds of alarm, alert and event, and what each is judged by unless configured otherwise."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol

from monitor.alarms.handling import handling_of
from monitor.skid import AlarmSettings

SETTLE_S = 120.0
# Keys of an alarm's rationalisation, as in `skid.Handling`; times under the name of their key.
HANDLING = ("priority", "consequence", "response")
HANDLING_TIMES = {"time_to_respond": "respond_within_s", "re_alarm": "realarm_s", "shelve_limit": "shelve_limit_s"}


class Share(NamedTuple):
    """A limit or deadband given as a fraction of another value of the skid."""

    fraction: float


@dataclass(frozen=True, slots=True)
class Extra:
    """A key of one kind only, above `least` and at most `most`; SI.

    name: its name in AlarmSettings.extra where that differs from the key.
    """

    key: str
    dimension: str
    default: float
    name: str = ""
    least: float = 0.0
    most: float = math.inf

    @property
    def stored_as(self) -> str:
        return self.name or self.key


@dataclass(frozen=True, slots=True)
class Kind:
    """`value`: dimension of what is compared. `base`: the setting a percentage refers to.

    `limit`, `deadband`: SI, or a fraction where `relative`: a limit's of `base`, a deadband's likewise.
    `takes_limit`: whether the kind is judged by one limit; `limit_is`: the extra key that is the same thing.
    `ordered`: two extras of which the first is the lower.
    """

    value: str
    base: str = "max_dp"
    on_delay: float = 15.0
    off_delay: float = 60.0
    deadband: float = 0.0
    deadband_relative: bool = False
    limit: float | None = None
    limit_relative: bool = False
    takes_limit: bool = True
    limit_is: str = ""
    ordered: tuple[str, str] | None = None
    extras: tuple[Extra, ...] = ()


# Deadband and delay of a pressure start from ISA-18.2 (2 %, 15 s: from memory); the rest: common practice, no source.
KINDS: dict[str, Kind] = {
    "changeout-due": Kind(
        "pressure", base="changeout_dp", deadband=0.10, deadband_relative=True, limit=1.0, limit_relative=True,
        extras=(Extra("min_flow_fraction", "fraction", 0.30, most=1),
                Extra("hold_while_isolated", "time", 7200.0, "hold_while_isolated_s"))),
    "changeout-forecast": Kind(
        "time", limit=86_400.0, limit_is="notice",
        extras=(Extra("notice", "time", 86_400.0), Extra("life_share", "fraction", 0.25, most=1))),
    "dp-limit": Kind(
        "pressure", off_delay=15.0, deadband=0.02, deadband_relative=True, limit=0.85, limit_relative=True),
    "element-breach": Kind(
        "fraction", limit=0.15, limit_is="loss", ordered=("loss", "likely_loss"),
        extras=(Extra("loss", "fraction", 0.15, most=1), Extra("likely_loss", "fraction", 0.40, most=1))),
    "changeout-done": Kind(
        "fraction", on_delay=0.0, off_delay=0.0, takes_limit=False,
        extras=(Extra("verdict", "time", 900.0), Extra("isolation", "time", 360.0))),
    "changeout-suspect": Kind(
        "fraction", on_delay=0.0, off_delay=0.0, takes_limit=False, ordered=("low", "high"),
        extras=(Extra("low", "fraction", 0.75, most=1), Extra("high", "fraction", 1.30, least=1))),
    "closure-seep": Kind(
        "time", extras=(Extra("spillage", "time", 900.0), Extra("noise_ratio", "fraction", 3.0),
                        Extra("thermal", "pressure", 0.12e5), Extra("rise_share", "fraction", 0.90, most=1))),
    "signal-fault": Kind(
        "fraction", on_delay=0.0, off_delay=30.0, takes_limit=False,
        extras=(Extra("failed_loop", "time", 30.0), Extra("stale", "time", 60.0), Extra("frozen", "time", 300.0),
                Extra("swapped", "time", 120.0), Extra("spikes", "time", 600.0), Extra("zero_shift", "time", 900.0))),
    "surge": Kind("pressure", on_delay=0.0, deadband=0.02, deadband_relative=True, limit=1.5e5),
    "flow-blocked": Kind("pressure", on_delay=10.0, off_delay=10.0, takes_limit=False),
}


class Pressures(Protocol):
    """What shares refer to, Pa: an Element, or a table in which either may be missing."""

    @property
    def changeout_dp(self) -> float | None: ...

    @property
    def max_dp(self) -> float | None: ...


def defaults_for(kind: str, element: Pressures | None = None) -> AlarmSettings:
    """What `kind` is judged by when nothing is configured. Raises KeyError for an unknown kind.

    Limits and deadbands that are a share of `changeout_dp` or `max_dp` need `element`; without it
    such a limit is None and such a deadband 0.
    """
    return alarm_settings(kind, {}, element)


def alarm_settings(kind: str, given: Mapping[str, Any], element: Pressures | None) -> AlarmSettings:
    """Settings of a kind from the keys `given` in its table (SI, or Share), over the defaults."""
    rule = KINDS[kind]
    extra = {e.stored_as: given.get(e.key, e.default) for e in rule.extras}
    limit = limit_of(kind, given, element)
    if rule.limit_is:
        limit = extra[rule.limit_is] = given.get("limit", extra[rule.limit_is])
    handled = {name: given[name] for name in HANDLING if name in given}
    handled |= {name: given[key] for key, name in HANDLING_TIMES.items() if key in given}
    return AlarmSettings(
        kind=kind, handling=handling_of(kind, handled),
        on_delay_s=given.get("on_delay", rule.on_delay), off_delay_s=given.get("off_delay", rule.off_delay),
        deadband=deadband_of(kind, given, element) or 0.0, limit=limit, settle_s=given.get("settle", SETTLE_S),
        enabled=given.get("enabled", True), extra=extra)


def limit_of(kind: str, given: Mapping[str, Any], element: Pressures | None) -> float | None:
    """The limit in SI; None where the kind has none, or where what it rests on is not known."""
    rule = KINDS[kind]
    default = Share(rule.limit) if rule.limit is not None and rule.limit_relative else rule.limit
    return _resolved(given.get("limit", default), rule, element)


def deadband_of(kind: str, given: Mapping[str, Any], element: Pressures | None) -> float | None:
    """The deadband in SI; None where what it rests on is not known."""
    rule = KINDS[kind]
    default = Share(rule.deadband) if rule.deadband_relative else rule.deadband
    return _resolved(given.get("deadband", default), rule, element)


def _resolved(value: float | Share | None, rule: Kind, element: Pressures | None) -> float | None:
    if not isinstance(value, Share):
        return value
    base = None if element is None else element.changeout_dp if rule.base == "changeout_dp" else element.max_dp
    return None if base is None else value.fraction * base
