"""`[alarm.KIND]` tables against each other and the element: limits in order, deadbands that let an alarm clear."""

from __future__ import annotations

from typing import Any

from monitor.config.documents import Document
from monitor.config.faults import Faults
from monitor.config.kinds import KINDS, deadband_of, limit_of
from monitor.config.skid_tables import AlarmTable, ElementTable


def check_alarms(document: Document, alarms: dict[str, AlarmTable], element: ElementTable, faults: Faults) -> None:
    """Faults of the alarms of one file. What rests on a value that is itself at fault is not judged."""
    for kind, table in alarms.items():
        rule, given = KINDS[kind], given_in(table)
        if rule.limit_is:
            _check_same(document, kind, rule.limit_is, given, faults)
        if rule.ordered:
            _check_order(document, kind, rule.ordered, given, faults)
        if rule.value == "pressure" and rule.takes_limit:
            _check_limit(document, kind, given, element, faults)


def given_in(table: AlarmTable | None) -> dict[str, Any]:
    """The keys that stand in a table, with what they hold."""
    return {} if table is None else {key: value for key, value in table if value is not None}


def _check_same(document: Document, kind: str, other: str, given: dict[str, Any], faults: Faults) -> None:
    if {"limit", other} <= given.keys() and given["limit"] != given[other]:
        faults.add(document, ("alarm", kind, other), f"a {other} that differs from limit", "one of the two")


def _check_order(
    document: Document, kind: str, keys: tuple[str, str], given: dict[str, Any], faults: Faults
) -> None:
    rule = KINDS[kind]
    defaults = {extra.key: extra.default for extra in rule.extras}
    spoken = "limit" if keys[0] == rule.limit_is and "limit" in given else keys[0]
    low, high = given.get(spoken, defaults[keys[0]]), given.get(keys[1], defaults[keys[1]])
    if not low < high:
        at, other = (spoken, keys[1]) if spoken in given else (keys[1], spoken)
        relation = "less" if at == spoken else "more"
        faults.add(document, ("alarm", kind, at), f"{given[at]:g}", f"{relation} than {other}, which is "
                   f"{(high if at == spoken else low):g}")


def _check_limit(
    document: Document, kind: str, given: dict[str, Any], element: ElementTable, faults: Faults
) -> None:
    limit, deadband = limit_of(kind, given, element), deadband_of(kind, given, element)
    if limit is None:
        return
    if kind != "surge" and "limit" in given:
        _check_bounds(document, kind, limit, element, faults)
    if deadband is not None and deadband >= limit and given.keys() & {"limit", "deadband"}:
        key = "deadband" if "deadband" in given else "limit"
        faults.add(document, ("alarm", kind, key), f"a deadband of {bar(deadband)}, so that the alarm never clears",
                   f"a deadband less than the limit, which is {bar(limit)}")


def _check_bounds(document: Document, kind: str, limit: float, element: ElementTable, faults: Faults) -> None:
    path, highest, lowest = ("alarm", kind, "limit"), element.max_dp, element.clean_dp
    if highest is not None and limit > highest:
        faults.add(document, path, bar(limit), f"at most max_dp, which is {bar(highest)}")
    if lowest is not None and limit <= lowest:
        faults.add(document, path, bar(limit), f"more than clean_dp, which is {bar(lowest)}")


def bar(pressure: float) -> str:
    """A pressure in Pa for a message.

    >>> bar(104_000.0)
    '1.04 bar'
    """
    return f"{pressure / 1e5:.4g} bar"
