"""Warnings: accepted, but worth a second look."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from monitor.config import load, warnings
from monitor.config.advice import change_on_the_run
from monitor.config.spans import largest_pressure_drop
from monitor.model import Role
from monitor.settings import Settings

Changed = Callable[..., str]
Loads = Callable[..., Settings]
VESSELS = 'vessels = ["east", "west"]'
QUIET = ('changeout_dp = "1.0 bar"', 'changeout_dp = "0.5 bar"')


def test_room_for_changing_on_the_run_is_told_in_numbers(changed: Changed, load_text: Loads) -> None:
    # Isolating one of two doubles the flow of the other: dP times 2 (laminar) to 4 (square of flow), by algebra.
    (text,) = warnings(load_text(changed()))
    assert "may leave no room" in text and "2 bar at the least" in text and "4 bar" in text and "2.4 bar" in text
    (worse,) = warnings(load_text(changed(('changeout_dp = "1.0 bar"', 'changeout_dp = "1.3 bar"'))))
    assert " leaves no room" in worse and "2.6 bar at the least" in worse


@pytest.mark.parametrize(("vessels", "factors"), [
    ('vessels = ["a", "b", "c"]', (1.5, 2.25)),
    ('vessels = ["a", "b", "c", "d"]', (4 / 3, 16 / 9)),
    ('vessels = ["a", "b", "c"]\nin_service = 2', None),
    ('vessels = ["a"]', None),
])
def test_the_factor_is_n_over_n_minus_one_and_a_standby_takes_it_away(
    changed: Changed, load_text: Loads, vessels: str, factors: tuple[float, float] | None
) -> None:
    reached = change_on_the_run(load_text(changed((VESSELS, vessels))).skids[0])
    assert (reached is None) if factors is None else reached == pytest.approx([1e5 * f for f in factors])


def test_a_modest_changeout_dp_gives_no_warning(changed: Changed, load_text: Loads) -> None:
    assert warnings(load_text(changed(QUIET))) == []


@pytest.mark.parametrize(("pairs", "says"), [
    ([("range = [0.0, 10.0]", "range = [0.0, 2.3]")], "max_dp of 2.4 bar lies beyond"),
    ([("range = [0.0, 10.0]", "range = [0.0, 1.5]")], "dp-limit at 2.04 bar can never be read"),
    ([("range = [0.0, 60.0]", "range = [0.0, 30.0]")], "reference flow of 40 m^3/h lies outside the range of FT-101"),
    ([('max_dp = "2.4 bar"', 'max_dp = "25 bar"')], "is its unit right"),
    ([('max_dp = "2.4 bar"', 'max_dp = "0.55 bar"')], "dp-limit at 0.4675 bar comes before changeout-due"),
])
def test_doubtful_values_are_warned_of(
    changed: Changed, load_text: Loads, pairs: list[tuple[str, str]], says: str
) -> None:
    found = warnings(load_text(changed(QUIET, *pairs)))
    assert any(says in text and "intake-1" in text for text in found), found


def test_switching_dp_limit_off_is_warned_of(changed: Changed, load_text: Loads) -> None:
    (text,) = warnings(load_text(changed(QUIET, more="[alarm.dp-limit]\nenabled = false\n")))
    assert "dp-limit is off" in text


def test_warnings_speak_in_display_units(changed: Changed, load_text: Loads) -> None:
    text = changed((VESSELS, VESSELS + '\ndisplay_units = {pressure = "psi"}'))
    # 2.4 bar = 34.81 psi (NIST SP 811).
    assert "34.81 psi" in warnings(load_text(text))[0]


def test_the_largest_dp_reads_to_the_failure_limit_of_ne_43() -> None:
    # NAMUR NE 43: readings go up to 20.5 mA, which is 103.125 % of span.
    pair = [(Role.INLET_PRESSURE, 0.0, 1e6), (Role.OUTLET_PRESSURE, -1e5, 1e6)]
    assert largest_pressure_drop(pair) == pytest.approx(1.03125e6 + 1e5)
    across = [(Role.DIFFERENTIAL_PRESSURE, -1e5, 3e5)]
    assert largest_pressure_drop(across) == pytest.approx(-1e5 + 1.03125 * 4e5)
    assert largest_pressure_drop(across + pair) == pytest.approx(1.13125e6)
    assert largest_pressure_drop(pair[:1]) is None


def test_load_and_warnings_take_a_path_as_text(tmp_path: object, changed: Changed) -> None:
    file = f"{tmp_path}/skid.toml"
    with open(file, "w") as stream:
        stream.write(changed(QUIET))
    assert warnings(load(file)) == []
