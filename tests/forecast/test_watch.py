"""The forecast carried on sample by sample, on lives of known truth."""

from __future__ import annotations

import time

import msgspec
import numpy as np
import pytest

from monitor.forecast import plan
from monitor.forecast.laws import resistance_after, volume_to
from monitor.forecast.life import Past, templates
from monitor.forecast.plan import change_on_the_run, elements_needed, highest_level, other_points
from monitor.forecast.prior import life_of
from monitor.forecast.watch import (
    Z80,
    Row,
    Sample,
    Skid,
    Watch,
    changed,
    reached,
    remember,
    spell,
    take,
    unchanged,
)
from monitor.hydraulics.isolating import outlook
from monitor.hydraulics.network import Conditions

BAR = 1e5
LIMIT, CLEAN = 1.0 * BAR, 0.15 * BAR
SKID = Skid(LIMIT, by_volume=True, turbulent=0.02 * BAR)
FLOW = 20 / 3600                     # m^3/s
START = 1_750_000_000_000_000_000


class Plant:
    """Runs without a stop at one flow; each life loads by one law from clean to the point in `hours`."""

    def __init__(self, watch: Watch, exponent: float = 1.0) -> None:
        self.watch, self.exponent, self.running, self.rows = watch, exponent, 0.0, list[Row]()

    @property
    def time(self) -> int:
        return START + round(self.running * 1e9)

    def run(self, hours: float, until: float = 1.0, seed: int = 1, since: float = 0.0) -> None:
        """From a share `since` up to `until` of a life of `hours`, with 0.5 % noise in dP."""
        draw, begun = np.random.default_rng(seed), self.running - since * hours * 3600
        a0 = CLEAN - SKID.turbulent
        rate = volume_to(a0, LIMIT - SKID.turbulent, 1.0, self.exponent) / (hours * 3600)
        while self.running - begun < until * hours * 3600:
            step = spell(self.watch)
            middle = self.running - begun + step / 2
            a = float(resistance_after(middle, a0, rate, self.exponent))
            self.running += step
            dp = (a + SKID.turbulent) * (1 + 0.005 * float(draw.standard_normal()))
            sample = Sample(self.time, self.running, self.running * FLOW, dp)
            row = take(self.watch, SKID, sample, clean=CLEAN, unsettled=False)
            if row is not None:
                self.rows.append(row)

    def change(self) -> None:
        changed(self.watch, SKID, self.time, CLEAN)

    def life(self, hours: float, seed: int) -> None:
        """A whole one, changed an hour after it fell due."""
        self.run(hours, 1.0, seed)
        reached(self.watch, SKID, self.time)
        self.run(hours, 0.02, seed)
        self.change()


def test_without_history_and_before_a_rise_nothing_is_said_and_the_reason_is() -> None:
    watch = Watch()
    plant = Plant(watch, exponent=2.0)
    plant.run(30.0, 0.25)
    assert plant.rows == []
    assert "no earlier life is known" in watch.silence


@pytest.mark.parametrize("exponent", [0.0, 1.0, 1.5, 2.0])
def test_after_lives_of_one_kind_the_next_is_foreseen_within_its_interval(exponent: float) -> None:
    watch = Watch()
    plant = Plant(watch, exponent)
    for k, hours in enumerate((28.0, 33.0, 30.0)):
        plant.life(hours, seed=k)
    begun = plant.time
    plant.rows.clear()
    plant.run(31.0, 0.999, seed=9)
    for share, most in ((0.5, 0.25), (0.7, 0.2), (0.9, 0.15)):
        row = min(plant.rows, key=lambda r: abs((r.time - begun) / 3.6e12 - share * 31.0))
        left = 31.0 - (row.time - begun) / 3.6e12
        assert abs(row.p50 - left) / left < most, (share, row.p50, left)
        assert row.p10 <= left <= row.p90


def test_rows_come_at_least_every_ten_minutes_and_every_two_percent_of_a_short_life() -> None:
    for hours, longest in ((30.0, 600.0), (0.1, 7.2)):
        watch = Watch()
        plant = Plant(watch)
        plant.life(hours, seed=1)
        plant.rows.clear()
        plant.run(hours, 0.99, seed=2)
        gaps = np.diff([r.time for r in plant.rows]) / 1e9
        assert gaps.max() <= longest


def test_a_run_that_was_at_the_point_from_its_beginning_teaches_nothing() -> None:
    watch = Watch()
    plant = Plant(watch)
    plant.life(30.0, seed=1)
    reached(watch, SKID, plant.time)        # what came back did not help
    plant.run(30.0, 0.3, seed=2)
    plant.change()
    reached(watch, SKID, plant.time)
    plant.change()                          # before anything was seen of it
    assert len(watch.lives) == 1
    plant.rows.clear()
    plant.run(30.0, 0.9, seed=3)
    assert plant.rows and all(np.isfinite(r.p50) for r in plant.rows)


def test_a_life_ends_where_its_curve_crosses_the_point_however_late_the_alarm_comes() -> None:
    watch = Watch()
    plant = Plant(watch)
    plant.run(30.0, 1.04)
    reached(watch, SKID, plant.time)
    assert watch.due is not None
    assert (watch.due[0] - START) / 3.6e12 == pytest.approx(30.0, rel=0.005)
    assert watch.due[1] == pytest.approx(30 * 3600 * FLOW, rel=0.005)


def test_a_life_is_remembered_by_its_whole_curve_though_the_alarm_came_a_bit_early() -> None:
    watch = Watch()
    plant = Plant(watch)
    plant.run(30.0, 0.985)
    reached(watch, SKID, plant.time)        # dP moves up and down about its course
    plant.run(30.0, 1.03, since=0.985)
    plant.change()
    assert watch.lives[-1].total == pytest.approx(30 * 3600 * FLOW, rel=0.01)


def test_past_forecasts_are_scored_when_the_changeout_comes() -> None:
    watch = Watch()
    plant = Plant(watch)
    plant.life(30.0, seed=1)
    plant.life(31.0, seed=2)
    assert len(watch.scores) == 2
    assert watch.scores[-1].inside > 0.8
    assert watch.scores[-1].error < 20
    assert watch.main is not None and watch.main.score == watch.scores[-1]


def test_a_life_changed_early_is_kept_as_a_bound_and_a_brief_one_not_at_all() -> None:
    watch = Watch()
    plant = Plant(watch)
    plant.life(30.0, seed=1)
    plant.run(30.0, 0.6, seed=2)
    plant.change()
    plant.run(30.0, 0.02, seed=3)
    plant.change()
    assert [bool(p.shape) for p in watch.lives] == [True, False]
    assert watch.lives[-1].total == pytest.approx(0.6 * 30 * 3600 * FLOW, rel=0.02)


def test_samples_since_a_return_go_to_the_run_that_the_verdict_gives_them_to() -> None:
    for verdict, points in ((changed, 1), (unchanged, 0)):
        watch = Watch()
        plant = Plant(watch)
        plant.run(30.0, 0.3)
        watch.returned = (plant.time, plant.running, plant.running * FLOW)
        before = len(watch.points)
        for _ in range(3):
            plant.running += 60
            sample = Sample(plant.time, plant.running, plant.running * FLOW, CLEAN)
            assert take(watch, SKID, sample, clean=CLEAN, unsettled=True) is None
        if verdict is changed:
            changed(watch, SKID, plant.time, CLEAN)
            assert 0 < len(watch.points) <= 3 and watch.points[0][0] == pytest.approx(30 * FLOW)
        else:
            unchanged(watch, SKID, CLEAN)
            assert len(watch.points) > before + points
        assert watch.held == []


def test_elements_that_were_changed_unseen_begin_a_run_of_their_own() -> None:
    watch = Watch()
    plant = Plant(watch)
    plant.run(30.0, 0.95)
    plant.run(30.0, 0.1, seed=3)          # clean again without any isolation seen
    assert len(watch.lives) == 1
    assert watch.whole
    assert (plant.time - watch.began) / 3.6e12 == pytest.approx(3.0, abs=0.5)


def test_what_is_remembered_survives_a_trip_through_json_at_any_sample() -> None:
    whole, cut = Watch(), Watch()
    a, b = Plant(whole), Plant(cut)
    for plant in (a, b):
        plant.life(30.0, seed=1)
    a.run(30.0, 0.5, seed=2)
    a.run(30.0, 0.3, seed=3)
    b.run(30.0, 0.5, seed=2)
    b.watch = msgspec.json.decode(msgspec.json.encode(b.watch), type=Watch)
    b.run(30.0, 0.3, seed=3)
    assert a.rows == b.rows
    assert msgspec.json.encode(a.watch) == msgspec.json.encode(b.watch)


def test_lives_that_began_at_the_same_time_are_kept_apart_and_one_is_kept_once() -> None:
    """Recordings of a rig may all begin at the same second; vessels changed in turn share one life."""
    watch = Watch()
    for total in (10.0, 12.0, 12.0, 11.0):
        remember(watch, Past(run=START, total=total, hours=5.0))
    assert sorted(p.total for p in watch.lives) == [10.0, 11.0, 12.0]


def test_memory_stays_bounded_over_many_lives() -> None:
    watch = Watch()
    plant = Plant(watch)
    sizes = []
    for k in range(14):
        plant.life(4.0, seed=k)
        sizes.append(len(msgspec.json.encode(watch)))
    assert len(watch.lives) == 10
    assert max(sizes[10:]) < 1.1 * sizes[10] < 60_000


def test_elements_needed_are_flow_over_life_and_bounded_by_chance() -> None:
    watch = Watch()
    plant = Plant(watch)
    for k in range(8):
        plant.life(24.0, seed=k)
    needs = elements_needed(watch, elements=4)
    assert needs is not None
    week, month = needs
    # 30.6 h from changeout to changeout would be 24 h and the hour and more of delay; lives end where they fall due.
    assert month.expected == pytest.approx(30 * 4, rel=0.1)
    assert week.p10 <= week.expected <= week.p90
    assert elements_needed(Watch(), elements=4) is None
    known = life_of(templates(watch.lives, 1.0))
    assert known is not None
    alike = 2 * Z80 * known.error * month.expected      # what is not known of all lives alike never evens out
    assert alike - 4 < month.p90 - month.p10 < 1.6 * alike + 4


def test_lives_of_hours_are_counted_at_once_as_one_by_one_and_those_of_seconds_in_no_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    watch = Watch()
    plant = Plant(watch)
    for k in range(8):
        plant.life(24.0, seed=k)

    def of(hours: float) -> list[tuple[float, ...]]:
        lives = [msgspec.structs.replace(life, total=life.total * hours / 24.0) for life in watch.lives]
        needs = elements_needed(Watch(lives=lives, use=watch.use), elements=1)
        assert needs is not None
        return [tuple(need) for need in needs]

    together = of(6.0)
    begun = time.process_time()
    seconds = of(0.001)     # drawn one by one, 712,000 lives took minutes
    assert time.process_time() - begun < 1.0
    assert seconds[1][1] == pytest.approx(6000 * together[1][1], rel=0.01)
    monkeypatch.setattr(plan, "MANY", 10_000)
    assert np.allclose(together, of(6.0), atol=1.0)


def test_another_changeout_point_costs_what_the_law_says_and_above_it_at_least_what_is_said() -> None:
    """Intermediate law: volume to a point goes with ln(a / a0): algebra."""
    watch = Watch()
    plant = Plant(watch, exponent=1.0)
    for k in range(3):
        plant.life(24.0, seed=k)
    found = other_points(watch, SKID, month=10.0, max_dp=2.0 * BAR)
    lower, higher = found[0], found[-1]
    a0, b = CLEAN - SKID.turbulent, SKID.turbulent

    def share(point: float) -> float:
        return float(np.log((point - b) / a0) / np.log((LIMIT - b) / a0))

    assert lower.point == pytest.approx(0.8 * LIMIT)
    assert lower.now == 10.0
    assert lower.then / lower.now == pytest.approx(1 / share(0.8 * LIMIT), rel=0.03)
    assert [p.carried_on for p in found] == [False, False, True, True]
    assert 0.95 / share(higher.point) < higher.then / higher.now < 1.01 / share(higher.point)


def test_the_latest_time_to_change_on_the_run_is_when_the_rest_would_show_the_most_allowed() -> None:
    watch = Watch()
    plant = Plant(watch)
    for k in range(3):
        plant.life(30.0, seed=k)
    plant.run(30.0, 0.5, seed=7)
    most = 1.5 * BAR
    found = change_on_the_run(watch, SKID, in_service=2, max_dp=most, time=plant.time)
    assert found is not None and found.hours is not None and found.hours_packed is not None
    shown = outlook(Conditions(found.level, 1.0), 2, SKID.turbulent)
    assert shown is not None and shown.expected == pytest.approx(most, rel=1e-3)
    assert highest_level(2, most, SKID.turbulent, packed=True) == found.level_packed < found.level < LIMIT
    a0, b = CLEAN - SKID.turbulent, SKID.turbulent
    true = 30 * (np.log((found.level - b) / a0) / np.log((LIMIT - b) / a0) - 0.5)
    assert found.hours == pytest.approx(true, rel=0.2)
    assert found.hours_packed < found.hours
    assert change_on_the_run(watch, SKID, in_service=1, max_dp=most, time=plant.time) is None
