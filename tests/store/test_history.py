from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from store.samples import HOUR, MINUTE, START, batch, opened, pack_all, regular, rows, same, signal, skid

from monitor.errors import StoreError
from monitor.model import Minute, Quality, Role
from monitor.store import Batch


def test_named_signals_come_in_the_order_asked_for(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(rows((1, 0, 1.0), (1, 1, 2.0), (1, 2, 3.0))))
        assert store.signals("intake-1") == ["PT-1", "PT-2", "FT-1"]
        found = store.rows("intake-1", START, START + HOUR, ["FT-1", "PT-1"])
        assert found.signal.tolist() == [0, 1] and found.value.tolist() == [3.0, 1.0]


def test_an_unknown_skid_or_signal_is_named_with_those_there_are(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        with pytest.raises(StoreError, match=r"no skid pond in the store; it has intake-1"):
            store.rows("pond", 0, 1)
        with pytest.raises(StoreError, match=r"no signal TT-9; it has PT-1, PT-2, FT-1"):
            store.rows("intake-1", 0, 1, ["PT-1", "TT-9"])


def test_the_end_of_a_span_is_not_in_it(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(regular(10, signals=1)))
        for _ in range(2):
            assert store.rows("intake-1", START + 2_000_000_000, START + 5_000_000_000).size == 3
            pack_all(store)


def test_a_rerun_meets_what_was_fed_after_its_checkpoint_in_order(tmp_path: Path) -> None:
    given = regular(9_000, signals=2)
    fed = np.arange(given.size) % 11 != 0
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(given, fed))
        pack_all(store, START + HOUR)
        since = START + 100 * 1_000_000_000
        chunks = list(store.rows_after("intake-1", since))
        assert len(chunks) == 3
        assert same(type(given).concat(chunks), given.take(fed & (given.time > since)))
        assert sum(c.size for c in store.rows_after("intake-1", since, fed_only=False)) == 2 * (9_000 - 101)


def test_hours_without_readings_are_skipped_in_a_rerun(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(rows((0, 0, 1.0), (5_000 * 3_600, 0, 2.0))))
        pack_all(store, START + 2 * HOUR)
        assert [c.value.tolist() for c in store.rows_after("intake-1", START - 1)] == [[1.0], [2.0]]


def test_latest_tells_the_newest_reading_of_each_signal_wherever_it_lies(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(rows((5, 0, 1.0), (9, 1, 2.0, Quality.UNCERTAIN))))
        store.commit(batch(rows((4, 0, 7.0)), fed=False))
        pack_all(store)
        assert store.latest("intake-1") == {"PT-1": (START + 5_000_000_000, 1.0, Quality.GOOD),
                                            "PT-2": (START + 9_000_000_000, 2.0, Quality.UNCERTAIN)}
        assert store.all_latest() == {"intake-1": store.latest("intake-1")}


def test_a_changed_unit_does_not_reinterpret_old_readings(tmp_path: Path) -> None:
    bar, kelvin = signal("PT-1"), signal("TT-1", Role.TEMPERATURE, unit="degC", scale=1.0, offset=273.15)
    with opened(tmp_path / "s.db", skids=[skid(signals=[bar, kelvin])]) as store:
        store.commit(batch(rows((1, 0, 2.5), (1, 1, 20.0))))
    kpa = signal("PT-1", unit="kPa", scale=1e3)
    fahrenheit = signal("TT-1", Role.TEMPERATURE, unit="degF", scale=5 / 9, offset=459.67 * 5 / 9)
    with opened(tmp_path / "s.db", skids=[skid(signals=[kpa, fahrenheit])]) as store:
        store.commit(batch(rows((2, 0, 250.0), (2, 1, 68.0))))
        for _ in range(2):
            found = store.rows("intake-1", START, START + HOUR)
            assert found.value == pytest.approx([250.0, 68.0, 250.0, 68.0])  # 20 degC is 68 degF by definition
            assert store.rows("intake-1", START, START + HOUR, as_taken=True).value.tolist() == [2.5, 20.0, 250.0, 68.0]
            pack_all(store)
        assert [v.unit for v in store.versions("intake-1", "PT-1")] == ["bar", "kPa"]


def test_a_restart_with_the_same_settings_makes_no_new_version(tmp_path: Path) -> None:
    for _ in range(3):
        opened(tmp_path / "s.db").close()
    with opened(tmp_path / "s.db") as store:
        assert [v.version for v in store.versions("intake-1", "PT-1")] == [0]


def test_readings_of_a_former_role_are_left_out_but_kept(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db", skids=[skid(signals=[signal("X-1")])]) as store:
        store.commit(batch(rows((1, 0, 2.5))))
        store.configure([skid(signals=[signal("X-1", Role.OUTLET_PRESSURE)])])
        store.commit(batch(rows((2, 0, 2.0))))
        assert store.rows("intake-1", START, START + HOUR).value.tolist() == [2.0]
        assert store.rows("intake-1", START, START + HOUR, as_taken=True).value.tolist() == [2.5, 2.0]


def test_a_new_order_of_signals_moves_no_reading(tmp_path: Path) -> None:
    one, two = signal("PT-1"), signal("PT-2", Role.OUTLET_PRESSURE)
    with opened(tmp_path / "s.db", skids=[skid(signals=[one, two])]) as store:
        store.commit(batch(rows((1, 0, 1.0), (1, 1, 2.0))))
        store.configure([skid(signals=[two])])
        store.commit(batch(rows((2, 0, 2.5))))
        assert store.signals("intake-1") == ["PT-2"]
        assert store.signals("intake-1", former=True) == ["PT-2", "PT-1"]
        assert same(store.rows("intake-1", START, START + HOUR), rows((1, 0, 2.0), (2, 0, 2.5)))
        found = store.rows("intake-1", START, START + HOUR, ["PT-2"])
        assert found.value.tolist() == [2.0, 2.5]
        assert store.rows("intake-1", START, START + HOUR, ["PT-1"]).value.tolist() == [1.0]


@pytest.mark.parametrize("points", [1, 7, 60, 5_000])
def test_a_trend_holds_what_a_reduction_by_hand_gives(tmp_path: Path, points: int) -> None:
    given = regular(9_000, signals=1)
    given.quality[10:20] = Quality.BAD
    given.value[30:40] = np.nan
    usable = given.take((given.quality != Quality.BAD) & np.isfinite(given.value))
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(given))
        for _ in range(2):
            found = store.trend("intake-1", "PT-1", START, START + 9_000_000_000_000, points)
            assert found.time.size <= points and found.readings.sum() == usable.size
            edges = np.append(found.time, START + 3 * HOUR)
            for i in range(found.time.size):
                mine = usable.value[(usable.time >= edges[i]) & (usable.time < edges[i + 1])]
                assert (found.minimum[i], found.maximum[i]) == (mine.min(), mine.max())
                assert found.mean[i] == pytest.approx(mine.mean()) and found.readings[i] == mine.size
            pack_all(store, START + 2 * HOUR)


def test_a_trend_across_a_change_of_unit_is_in_todays(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db", skids=[skid(signals=[signal("PT-1")])]) as store:
        store.commit(batch(rows((1, 0, 1.0), (2, 0, 3.0), (3_601, 0, 2.0))))
        store.configure([skid(signals=[signal("PT-1", unit="kPa", scale=1e3)])])
        store.commit(batch(rows((3_602, 0, 400.0), (7_201, 0, 500.0))))
        pack_all(store, START + 2 * HOUR)
        found = store.trend("intake-1", "PT-1", START, START + 3 * HOUR, 3)
        assert found.minimum == pytest.approx([100.0, 200.0, 500.0])
        assert found.maximum == pytest.approx([300.0, 400.0, 500.0])
        assert found.mean == pytest.approx([200.0, 300.0, 500.0])


def test_a_trend_of_a_minutes_quantity_comes_from_the_roll_ups(tmp_path: Path) -> None:
    def minute(i: int, drop: float) -> tuple[str, Minute]:
        return "intake-1", Minute(START + i * MINUTE, 3e5, 2e5, drop, 0.02, 288.0, float("nan"), True)

    with opened(tmp_path / "s.db") as store:
        store.commit(Batch(minutes=[minute(i, 1e5 + i) for i in range(10)]))
        store.commit(Batch(minutes=[minute(9, 1e5)]))  # computed again after a restart
        found = store.trend("intake-1", "pressure_drop", START, START + 10 * MINUTE, 2)
        assert found.minimum.tolist() == [1e5, 1e5] and found.maximum.tolist() == [1e5 + 4, 1e5 + 8]
        assert found.readings.tolist() == [5, 5]
        assert store.trend("intake-1", "normalised", START, START + 10 * MINUTE, 2).time.size == 0
        assert store.minutes("intake-1", START, START + HOUR)["pressure_drop"].size == 10
        with pytest.raises(StoreError, match=r"no signal level; it has PT-1.*by the minute inlet"):
            store.trend("intake-1", "level", START, START + HOUR, 2)
