"""The search over a plant whose answers are written down: what is best is known beforehand, and no engine runs."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from pathlib import Path

import pytest

from monitor.tuning import knobs
from monitor.tuning.charts import Chart, Marks, draw_chart
from monitor.tuning.choice import middle
from monitor.tuning.expect import rate_interval, share_interval, warnings
from monitor.tuning.fragment import fragment
from monitor.tuning.knobs import Knob
from monitor.tuning.progress import Progress
from monitor.tuning.report import not_told_apart, notes
from monitor.tuning.score import Totals
from monitor.tuning.search import spread
from monitor.tuning.tried import NAME
from monitor.tuning.tune import Tuned, Wishes, tune
from monitor.tuning.workers import Parts
from tests.tuning.hatchery import POOR, WrittenPlant, materials, number, two_kinds

KNOBS = ("alarm.dp-limit.limit", "alarm.dp-limit.on_delay", "alarm.dp-limit.deadband", "alarm.surge.limit")


class Quiet(Progress):
    """Tells nothing, and stops after so many steps."""

    def __init__(self, stop_after: int | None = None) -> None:
        super().__init__(lambda what, share, left: None)
        self._steps = stop_after

    def at(self, what: str, done: float, of: float, step: float = 1) -> bool:
        if self._steps is not None:
            self._steps -= 1
            self.stopped = self._steps < 0
        return super().at(what, done, of, step)


def tuned(
    folder: Path, plant: WrittenPlant, *, sets: int = 48, seed: int = 1, stop_after: int | None = None, more: str = POOR
) -> Tuned:
    folder.mkdir(exist_ok=True)
    made = materials(folder, more=more)
    turned = knobs.chosen_knobs(made[0].template.settings({}), KNOBS)
    return tune(made, turned, plant, folder, Wishes(sets, seed), Quiet(stop_after))


def test_poor_limits_are_mended_and_what_does_not_matter_stays_as_it_is(tmp_path: Path) -> None:
    """Today every label of dp-limit is missed and both kinds are noisy. No set can do better than no miss and the one
    false alarm in every other recording."""
    found = tuned(tmp_path, WrittenPlant(two_kinds))
    then, today = found.totals(found.best), found.totals(found.today)
    assert (today.missed, today.false) == (40, 4 * (7 + 14) + 2)
    assert (then.missed, then.late, then.false) == (0, 0, 2)
    assert "alarm.dp-limit.deadband" not in found.values
    assert {change.knob.name for change in found.changes} == set(KNOBS) - {"alarm.dp-limit.deadband"}
    assert found.expected is not None and found.expected.folds == 4
    assert found.expected.together.missed + found.expected.together.false <= 10


def test_what_no_label_tells_from_the_programs_own_is_named(tmp_path: Path) -> None:
    wide = tuned(tmp_path, WrittenPlant(two_kinds), more=POOR.replace('"3 s"\n', '"3 s"\ndeadband = "8 %"\n'))
    assert "alarm.dp-limit.deadband" not in wide.values
    assert not_told_apart(wide) == ["alarm.dp-limit.deadband 8 % (2 %)"]
    assert any("alarm.dp-limit.deadband 8 % (2 %)" in note for note in notes(wide))


def test_the_same_seed_finds_the_same_and_another_seed_tries_other_sets(tmp_path: Path) -> None:
    one, two, other = (tuned(tmp_path / name, WrittenPlant(two_kinds), seed=seed)
                       for name, seed in (("a", 3), ("b", 3), ("c", 4)))
    assert one.values == two.values and [t.values for t in one.trials] == [t.values for t in two.trials]
    assert [t.values for t in one.trials] != [t.values for t in other.trials]


def test_a_search_that_was_stopped_keeps_the_best_so_far_and_goes_on_to_the_same_end(tmp_path: Path) -> None:
    whole = tuned(tmp_path / "whole", WrittenPlant(two_kinds))
    first = WrittenPlant(two_kinds)
    stopped = tuned(tmp_path / "stopped", first, stop_after=2)
    assert not stopped.finished and len(stopped.trials) == 2 + 24    # two batches: half of the sets are spread
    assert stopped.totals(stopped.best).objectives <= stopped.totals(stopped.today).objectives
    second = WrittenPlant(two_kinds)
    resumed = tuned(tmp_path / "stopped", second)
    assert resumed.values == whole.values and [t.values for t in resumed.trials] == [t.values for t in whole.trials]
    done = {(task.place, json.dumps(task.changes, sort_keys=True)) for task in first.asked}
    assert not done & {(task.place, json.dumps(task.changes, sort_keys=True)) for task in second.asked}


def test_a_line_that_was_cut_off_costs_only_what_it_held(tmp_path: Path) -> None:
    tuned(tmp_path, WrittenPlant(two_kinds))
    kept = tmp_path / NAME
    kept.write_bytes(kept.read_bytes()[:-30])
    again = WrittenPlant(two_kinds)
    tuned(tmp_path, again)
    assert len(again.asked) <= 2


def test_what_was_tried_on_other_labels_counts_for_nothing(tmp_path: Path) -> None:
    tuned(tmp_path, WrittenPlant(two_kinds))
    (tmp_path / NAME).write_text((tmp_path / NAME).read_text().replace('"week 0": "', '"week 0": "0'))
    again = WrittenPlant(two_kinds)
    tuned(tmp_path, again)
    assert len(again.asked) > 100


def test_nothing_is_recommended_that_is_worse_in_anything_than_today(tmp_path: Path) -> None:
    """A lower limit would find more and raise more falsely: today stands, whatever a miss is worth."""

    def dilemma(place: int, changes: Mapping[str, str]) -> Parts:
        lower = 95.0 - number(changes, "alarm.dp-limit.limit", 95.0)
        missed = max(0, 10 - round(lower))
        return {"dp-limit": Totals(10, missed, 0, 0, round(lower), 20, 0, 10 - missed, 0.0)}

    found = tuned(tmp_path, WrittenPlant(dilemma))
    assert found.values == {} and found.changes == []


def test_sets_whose_keys_contradict_each_other_are_passed_over(tmp_path: Path) -> None:
    def half(place: int, changes: Mapping[str, str]) -> Parts | None:
        return None if number(changes, "alarm.surge.limit", 0.5) > 1.5 else two_kinds(place, changes)

    found = tuned(tmp_path, WrittenPlant(half))
    assert found.totals(found.best).missed == 0 and 10 < len(found.trials) < 50


def test_the_fragment_is_toml_with_a_reason_for_each_change_and_fits_the_configuration(tmp_path: Path) -> None:
    found = tuned(tmp_path, WrittenPlant(two_kinds))
    text = fragment(found.changes, found.totals(found.best), found.days, sources=["week 0"], notes=["a note"])
    tables = tomllib.loads(text)["alarm"]
    assert tables.keys() == {"dp-limit", "surge"} and text.count("today; left so") == len(found.changes)
    assert "more missed" in text and "# a note" in text
    template = found.materials[0].template
    changed = template.settings({f"alarm.{kind}.{key}": v for kind, t in tables.items() for key, v in t.items()})
    assert changed.alarms["surge"].limit == pytest.approx(found.values["alarm.surge.limit"] * 1e5)


def test_each_knob_is_spread_over_all_of_its_way(tmp_path: Path) -> None:
    """A Latin hypercube has one value in each of its strata (McKay, Beckman, Conover 1979)."""
    from monitor.tuning.groups import Group

    knob = Knob("surge", "limit", "bar", 0.0, 20.0, 1.0, 1.5)
    sets = spread([Group(("surge",), (knob,))], 20, seed=1)
    assert sorted(int(values[knob.name] - 1e-9) for values in sets) == pytest.approx(list(range(20)), abs=1)
    assert spread([Group(("surge",), (knob,))], 20, seed=2) != sets


def test_a_knob_stays_as_it_is_or_as_usual_where_that_is_as_good_else_it_goes_amid_what_is() -> None:
    knob = Knob("surge", "limit", "bar", 0.0, 10.0, 9.0, 3.0)
    assert middle(knob, 2.0, [(1, 5.0), (2, 0.0), (4, 0.0), (9.0, 0.0)]) == 9.0
    assert middle(knob, 2.0, [(1, 5.0), (2, 0.0), (3.0, 0.0), (9.0, 7.0)]) == 3.0
    assert middle(knob, 2.0, [(1, 5.0), (2, 0.0), (3.0, 9.0), (4, 0.0), (6, 0.0), (9.0, 7.0)]) == 2.0
    # Amid what is as good, nearer to where less is lost beyond: 4 + 4/8 ln(5/7).
    assert middle(knob, 1.0, [(1, 5.0), (2, 0.0), (6, 0.0), (9.0, 5.0)]) == 4.0
    assert middle(knob, 1.0, [(1, 5.0), (2, 0.0), (6, 0.0), (9.0, 7.0)]) == 3.8
    assert middle(knob, 1.0, [(1, 1.0), (2, 0.0), (6, 0.0), (9.0, 1000.0)]) == 2.0


def test_intervals_are_those_of_scipys_exact_tests() -> None:
    from scipy.stats import binomtest, chi2

    for count, of in ((0, 5), (3, 20), (20, 20)):
        exact = binomtest(count, of).proportion_ci(0.9, "exact")
        assert share_interval(count, of) == pytest.approx((exact.low, exact.high))
    for count, days in ((0, 30.0), (4, 12.0)):
        # Garwood's limits by chi-squared quantiles.
        low = chi2.ppf(0.05, 2 * count) / 2 if count else 0.0
        high = chi2.ppf(0.95, 2 * count + 2) / 2
        assert rate_interval(count, days) == pytest.approx((30 / days * low, 30 / days * high))


def test_too_few_labels_are_said_to_be_too_few() -> None:
    few = warnings({"surge": Totals(expected=4)}, ["surge", "dp-limit"], days=12.0, sorts=[frozenset({"surge"})])
    # 1 - 0.05^(1/4) = 0.527; 3.0 false alarms stay possible in the days seen, 7.5 in thirty.
    assert few[0].startswith("surge: 4 labels: even as found, up to 53 %") and "dp-limit: no label" in few[1]
    assert "7.5 in thirty" in few[2] and few[3].startswith("One recording")
    assert warnings({"surge": Totals(expected=20)}, ["surge"], days=100.0, sorts=[frozenset({"surge"})] * 5) == []


def test_a_chart_draws_every_point_and_says_what_it_shows() -> None:
    text = draw_chart(Chart("Trade <off>", "missed", "false", [Marks("today", [(3.0, 2.0)], "today"),
                                                               Marks("tried", [(1.0, 0.0), (2.0, 1.0)], "dot")]))
    assert text.count("h0") == 3 + 2 and "Trade &lt;off&gt;" in text and "today: 3: 2." in text
