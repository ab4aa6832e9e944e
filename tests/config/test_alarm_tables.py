"""Kinds of alarm: defaults, and what a table changes."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from monitor.config import KINDS, defaults_for
from monitor.settings import Settings
from monitor.skid import Element

ELEMENT = Element(changeout_dp=1e5, max_dp=2.4e5)
Loads = Callable[..., Settings]


def test_defaults_are_those_of_the_alarm_table_in_the_manual() -> None:
    due, limit = defaults_for("changeout-due", ELEMENT), defaults_for("dp-limit", ELEMENT)
    assert (due.limit, due.on_delay_s, due.settle_s, due.off_delay_s) == (1e5, 15.0, 120.0, 60.0)
    assert due.limit is not None and due.limit - due.deadband == pytest.approx(0.9e5)
    assert due.extra == {"min_flow_fraction": 0.30, "hold_while_isolated_s": 7200.0}
    assert limit.limit == pytest.approx(2.04e5) and limit.deadband == pytest.approx(4800) and limit.on_delay_s == 15.0
    assert defaults_for("surge", ELEMENT).limit == 1.5e5
    assert defaults_for("flow-blocked", ELEMENT).on_delay_s == 10.0
    assert defaults_for("element-breach", ELEMENT).extra == {"loss": 0.15, "likely_loss": 0.40}
    assert defaults_for("changeout-suspect", ELEMENT).extra == {"low": 0.75, "high": 1.30}
    assert defaults_for("changeout-forecast", ELEMENT).extra == {"notice": 86_400.0, "life_share": 0.25}
    assert defaults_for("signal-fault", ELEMENT).extra == {
        "failed_loop": 30.0, "stale": 60.0, "frozen": 300.0, "swapped": 120.0, "spikes": 600.0, "zero_shift": 900.0}


def test_defaults_without_an_element_leave_open_what_rests_on_it() -> None:
    assert defaults_for("dp-limit").limit is None and defaults_for("dp-limit").deadband == 0.0
    assert defaults_for("surge").limit == 1.5e5
    with pytest.raises(KeyError):
        defaults_for("dp-limits")


@pytest.mark.parametrize("kind", list(KINDS))
def test_an_absent_and_an_empty_table_are_the_defaults(base: str, load_text: Loads, kind: str) -> None:
    expected = defaults_for(kind, ELEMENT)
    for text in (base, f"{base}[alarm.{kind}]\n"):
        assert load_text(text).skids[0].alarms[kind] == expected


@pytest.mark.parametrize("kind", list(KINDS))
def test_every_kind_takes_the_common_keys_and_its_own(base: str, load_text: Loads, kind: str) -> None:
    rule = KINDS[kind]
    table = 'enabled = false\non_delay = "20 s"\noff_delay = "2 min"\nsettle = "3 min"\n'
    units = {"time": "s", "pressure": "Pa"}
    table += "".join(f'{e.key} = "{e.default} {units[e.dimension]}"\n' if e.dimension in units else
                     f"{e.key} = {e.default}\n" for e in rule.extras)
    alarm = load_text(f"{base}[alarm.{kind}]\n{table}").skids[0].alarms[kind]
    assert (alarm.enabled, alarm.on_delay_s, alarm.off_delay_s, alarm.settle_s) == (False, 20.0, 120.0, 180.0)
    assert alarm.extra == defaults_for(kind, ELEMENT).extra


@pytest.mark.parametrize(("kind", "table", "limit", "deadband"), [
    ("dp-limit", 'limit = "2.0 bar"', 2e5, 4800.0),
    ("dp-limit", 'limit = "80 %"\ndeadband = "5 %"', 1.92e5, 12_000.0),
    ("dp-limit", 'deadband = "30 mbar"', 2.04e5, 3000.0),
    ("changeout-due", 'limit = "90 %"\ndeadband = "5 %"', 0.9e5, 5000.0),
    ("changeout-due", 'limit = "13.0 psi"', 13 * 6894.757293168361, 10_000.0),
    ("surge", 'limit = "1.2 bar"', 1.2e5, 4800.0),
    ("element-breach", 'limit = "20 %"\ndeadband = 0.01', 0.20, 0.01),
    ("changeout-forecast", 'limit = "12 h"', 43_200.0, 0.0),
])
def test_limits_and_deadbands_are_pressures_or_shares(
    base: str, load_text: Loads, kind: str, table: str, limit: float, deadband: float
) -> None:
    alarm = load_text(f"{base}[alarm.{kind}]\n{table}\n").skids[0].alarms[kind]
    assert alarm.limit == pytest.approx(limit, rel=1e-12) and alarm.deadband == pytest.approx(deadband, rel=1e-12)


@pytest.mark.parametrize(("kind", "key", "value", "stored"), [
    ("element-breach", "loss", '"20 %"', 0.2), ("changeout-forecast", "notice", '"8 h"', 28_800.0)])
def test_a_limit_and_its_other_name_are_one_thing(
    base: str, load_text: Loads, kind: str, key: str, value: str, stored: float
) -> None:
    for name in (key, "limit"):
        alarm = load_text(f"{base}[alarm.{kind}]\n{name} = {value}\n").skids[0].alarms[kind]
        assert alarm.limit == alarm.extra[key] == stored


def test_the_hold_of_an_isolated_vessel_is_kept_in_seconds(base: str, load_text: Loads) -> None:
    alarm = load_text(base + '[alarm.changeout-due]\nhold_while_isolated = "30 min"\n').skids[0].alarms["changeout-due"]
    assert alarm.extra["hold_while_isolated_s"] == 1800.0
