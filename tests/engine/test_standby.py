"""A standby that comes in for a loaded vessel, which is changed off line: what is a changeout then and what is none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from monitor.engine.engine import Engine
from monitor.model import NS
from tests.corpus import recordings, rows_of, seconds, settings_of
from tests.engine.afternoon import CLEAN, OUT, Part, judged, of_kind, skid_of
from tests.skids import START

LOADED, OTHER = 0.8, 0.7


def skid_with_standby(vessels: int, *, own: bool = False):
    """The last of the vessels stands by."""
    skid = skid_of(vessels, own=own)
    flow = skid.reference.flow * (vessels - 1) / vessels      # so that a share stays what it is for all of them
    return replace(skid, in_service=vessels - 1, reference=replace(skid.reference, flow=flow))


def parts_of(*parts: tuple[int, tuple[float, ...], float | None]) -> list[Part]:
    """Seconds, vessels, pressure in the first [bar] where it is shut. The pipe is throttled to the usual vessels' flow;
    a parked standby stands at 1.8 bar."""
    found = []
    for lasting, vessels, first in parts:
        nan, count = np.nan, len(vessels)
        own = (first or nan, *(nan,) * (count - 2), 1.8 if vessels[-1] == OUT else nan)
        throttle = 1.3 * (count / (count - 1)) ** 2
        found.append(Part(lasting, vessels, throttle=throttle, own=None if np.isnan(own).all() else own))
    return found


def off_line(others: tuple[float, ...], new: float) -> list[Part]:
    """Standby in, loaded vessel out and emptied, changed, back, standby out."""
    out = (OUT, *others, CLEAN)
    return parts_of(
        (1500, (LOADED, *others, OUT), None), (600, (LOADED, *others, CLEAN), None), (60, out, 1.0),
        (2880, out, 0.01), (60, out, 1.8), (600, (new, *others, CLEAN), None), (1500, (new, *others, OUT), None),
    )  # fmt: skip


@pytest.mark.parametrize("own", [False, True])
@pytest.mark.parametrize("others", [(), (OTHER,)], ids=["single", "duplex"])
def test_a_vessel_changed_off_line_is_one_changeout_and_the_standby_none(others, own):
    skid = skid_with_standby(2 + len(others), own=own)
    output = judged(off_line(others, CLEAN), skid, own=own)
    (changeout,) = output.changeouts
    assert [d[1] for d in of_kind(output, "changeout-done")] == ["good"]
    assert changeout.finding.ratio == pytest.approx(1.0, abs=0.1)
    assert abs(changeout.isolated_at - START - 2100 * NS) < 130 * NS
    assert abs(changeout.returned_at - START - 5100 * NS) < 30 * NS
    assert {e.kind for e in output.events} & {"changeout-suspect", "element-breach"} == set()


@pytest.mark.parametrize("others", [(), (OTHER,)], ids=["single", "duplex"])
def test_a_bunched_element_is_suspect_whatever_stood_in(others):
    output = judged(off_line(others, 2.2 * CLEAN), skid_with_standby(2 + len(others)))
    assert [d[1] for d in of_kind(output, "changeout-suspect")] == ["resistance-high"]


@pytest.mark.parametrize("others", [(), (OTHER,)], ids=["single", "duplex"])
def test_a_standby_that_comes_and_goes_is_no_changeout_and_the_next_one_is_found(others):
    usual = (LOADED, *others, OUT)
    parts = parts_of((1500, usual, None), (1800, (LOADED, *others, CLEAN), None), (1800, usual, None))
    skid = skid_with_standby(2 + len(others))
    assert judged(parts, skid).changeouts == []
    output = judged([*parts, *off_line(others, CLEAN)], skid)
    assert [c.finding.verdict for c in output.changeouts] == ["good"]
    assert of_kind(output, "element-breach") == []


def falling_and_coming_back(usual: Part, seconds: int) -> list[Part]:
    """Demand that falls at once and comes back in steps, each of so many seconds."""
    return [replace(usual, seconds=seconds, throttle=k * usual.throttle) for k in np.linspace(2, 1, 30)]


def test_where_its_own_pressure_says_that_it_is_shut_demand_that_falls_is_no_standby_that_comes_in():
    usual, out, new = (LOADED, OTHER, OUT), (OUT, OTHER, OUT), (CLEAN, OTHER, OUT)
    before, *change = parts_of((1500, usual, None), (60, out, 1.0), (900, out, 0.01), (60, out, 1.8), (1500, new, None))
    skid = replace(skid_of(3, own=True, flow=False), in_service=2, reference=skid_with_standby(3).reference)
    output = judged([before, *falling_and_coming_back(before, 60), *change], skid, own=True, flow=False)
    assert [c.finding.verdict for c in output.changeouts] == ["good"]


def test_without_a_meter_what_fell_hours_ago_is_no_standby_that_stands_in():
    before, *change = parts_of((1500, (LOADED, OTHER, OUT), None), (960, (OUT, OTHER, OUT), None),
                               (1500, (CLEAN, OTHER, OUT), None))  # fmt: skip
    skid = replace(skid_of(3, flow=False), in_service=2, reference=skid_with_standby(3).reference)
    output = judged([before, *falling_and_coming_back(before, 480), *change], skid, flow=False)
    assert [c.finding.verdict for c in output.changeouts] == ["good"]


@pytest.mark.parametrize(("new", "verdict"), [(CLEAN, "good"), (2.2 * CLEAN, "resistance-high")])
def test_the_only_vessel_changed_with_the_path_shut_and_its_own_pressure_measured(new, verdict):
    skid, shut = skid_with_standby(2, own=True), (OUT, OUT)
    parts = parts_of(
        (1500, (LOADED, OUT), None), (60, shut, 1.0), (1200, shut, 0.01), (600, shut, 2.9), (1500, (new, OUT), None))
    output = judged(parts, skid, own=True)
    (changeout,) = output.changeouts
    assert (changeout.vessel, changeout.finding.verdict) == (skid.vessels[0], verdict)
    assert abs(changeout.isolated_at - START - 1500 * NS) < 130 * NS
    assert abs(changeout.returned_at - START - 3360 * NS) < 40 * NS
    assert {e.kind for e in output.events} & {"element-breach"} == set()


@pytest.mark.parametrize(("shut_s", "back", "told"), [(1200, CLEAN, ["good"]), (1200, LOADED, []), (100, CLEAN, [])])
def test_the_only_vessel_changed_with_the_path_shut(shut_s, back, told):
    """The standby stays out: nothing flows, the pump pushes on. A short one, or what comes back loaded, is none."""
    parts = parts_of((1500, (LOADED, OUT), None), (shut_s, (OUT, OUT), None), (1500, (back, OUT), None))
    output = judged(parts, skid_with_standby(2))
    assert [c.finding.verdict for c in output.changeouts] == told
    assert of_kind(output, "flow-blocked") != []


@pytest.mark.parametrize("seed", [1008, 1010, 1218])
def test_a_vessel_changed_off_line_is_followed_through_noise(seed, tmp_path):
    """The loaded vessel's leaving is a fifth of dP shortly after a large fall; flow rises for a minute while the vessel
    fills; the standby, held at the inlet's pressure, is opened to the outlet first, for a few seconds."""
    (recording,) = recordings("standby-duty", range(seed, seed + 1))
    skid = settings_of(recording, tmp_path)
    output = Engine([skid]).feed({0: rows_of(recording)})[0]
    (label,) = [e for e in recording.labels["events"] if e["kind"] == "changeout-done"]
    (changeout,) = output.changeouts
    assert changeout.finding.verdict == "good"
    assert abs(changeout.returned_at / NS - seconds(label["time"])) < 60
    assert of_kind(output, "element-breach") == []
