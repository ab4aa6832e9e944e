from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from store.samples import HOUR, MINUTE, START, Clock, batch, event, opened, regular, rows, same, skid

from monitor.errors import StoreError
from monitor.model import Fact, Minute, Quality, Reason, Rejection
from monitor.store import Batch, Checkpoint, Notice, Reader, migrations


def test_readings_come_back_in_order_of_time_and_signal(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(rows((2, 1, 5.0), (1, 2, 6.0), (1, 0, 7.0, 1))))
        assert same(store.rows("intake-1", START, START + HOUR), rows((1, 0, 7.0, 1), (1, 2, 6.0), (2, 1, 5.0)))


def test_values_keep_every_bit(tmp_path: Path) -> None:
    values = np.array([-0.0, 0.0, np.nan, np.inf, -np.inf, 5e-324, 0.1, 1e308])
    strange = np.array([0x7FF8_0000_0000_0123, -0x0007_FFFF_FFFF_FFFF], np.int64).view(np.float64)
    values = np.concatenate((values, strange))
    given = rows(*((i, 0, 0.0, Quality.BAD) for i in range(values.size)))._replace(value=values)
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(given))
        assert same(store.rows("intake-1", START, START + HOUR), given)


def test_one_batch_stores_all_its_parts_at_once(tmp_path: Path) -> None:
    key = ("intake-1", "dp-limit", None, None)
    raised = event(60.0, vessel="A", value=3.4, unit="bar", evidence={"limit": 3.4, "window": [1, 2]})
    whole = batch(
        regular(60), events=[raised],
        rejections=[Rejection(Reason.NOT_FINITE, "intake-1", "PT-1", "river/PT-1", "nan")],
        minutes=[("intake-1", Minute(START, 3e5, 2e5, 1e5, 0.02, 288.0, float("nan"), False))],
        alarm_states={key: {"state": "unacknowledged", "since": START}},
        facts=[Fact("intake-1", "clean/A", {"resistance": 1.25e6}, START)], ticks={"intake-1": START + MINUTE},
        checkpoints={"intake-1": Checkpoint(START + MINUTE, 3, "f00d", b"\x00\xffstate")},
        notices=[Notice("webhook", raised.id, {"text": "dP nears the limit"}, START)])
    with opened(tmp_path / "s.db") as store:
        done = store.commit(whole)
        assert (done.stored, done.repeated, done.conflicting, done.new_events) == (180, 0, 0, [raised])
    with Reader.open(tmp_path / "s.db") as reader:
        assert reader.rows("intake-1", START, START + HOUR).size == 180
        assert [r.reason for _, r in reader.quarantine()] == [Reason.NOT_FINITE]
        assert reader.event(raised.id) == raised
        columns = reader.minutes("intake-1", START, START + HOUR)
        assert columns["inlet"].tolist() == [3e5] and columns["judged"].tolist() == [False]
        assert np.isnan(columns["normalised"]).all()
        assert reader.alarm_states() == {key: {"state": "unacknowledged", "since": START}}
        assert reader.facts("intake-1")["clean/A"].value == {"resistance": 1.25e6}
        assert reader.tick("intake-1") == START + MINUTE
        assert reader.checkpoint("intake-1") == Checkpoint(START + MINUTE, 3, "f00d", b"\x00\xffstate")
        assert [n.body for n in reader.due("webhook", START, 10)] == [{"text": "dP nears the limit"}]


def test_a_batch_with_one_impossible_part_leaves_nothing_behind(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        with pytest.raises(TypeError, match="cannot be stored"):
            store.commit(batch(regular(5), facts=[Fact("intake-1", "x", object(), START)]))
        assert store.rows("intake-1", START, START + HOUR).size == 0
        assert store.status()["readings"]["recent"] == 0
        assert store.commit(batch(regular(5))).stored == 15  # not taken for repeated


def test_a_second_delivery_is_counted_and_not_stored(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(regular(10)))
        done = store.commit(batch(regular(12)))
        assert (done.stored, done.repeated, done.conflicting) == (6, 30, 0)
        counts = {(c.signal, c.reason): c.number for c in store.quarantine_counts("intake-1")}
        assert counts == {(name, Reason.REPEATED): 10 for name in ("PT-1", "PT-2", "FT-1")}
        assert store.quarantine() == []


def test_a_repeat_within_one_batch_is_told_too(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        done = store.commit(batch(rows((1, 0, 5.0), (1, 0, 5.0), (1, 0, 6.0), (2, 0, 5.0))))
        assert (done.stored, done.repeated, done.conflicting) == (2, 1, 1)
        assert store.rows("intake-1", START, START + HOUR).value.tolist() == [5.0, 5.0]


def test_another_value_for_the_same_time_goes_to_quarantine_word_for_word(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(rows((1, 0, 5.0))))
        store.commit(batch(rows((1, 0, 5.000000000000001))))
        (_, kept), = store.quarantine(reason=Reason.CONFLICTING)
        assert (kept.skid, kept.signal, kept.time) == ("intake-1", "PT-1", START + 1_000_000_000)
        assert kept.text == "5.000000000000001 good" and "5.0 good" in kept.note
        assert store.rows("intake-1", START, START + HOUR).value.tolist() == [5.0]


def test_the_same_value_with_another_quality_conflicts(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(rows((1, 0, 5.0))))
        assert store.commit(batch(rows((1, 0, 5.0, Quality.UNCERTAIN)))).conflicting == 1


def test_a_missing_value_delivered_twice_is_a_repeat(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(rows((1, 0, float("nan"), Quality.BAD))))
        assert store.commit(batch(rows((1, 0, float("nan"), Quality.BAD)))).repeated == 1


def test_late_readings_fill_holes_and_are_left_out_of_what_was_fed(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(rows((1, 0, 1.0), (3, 0, 3.0))))
        assert store.commit(batch(rows((2, 0, 2.0)), fed=False)).stored == 1
        assert store.rows("intake-1", START, START + HOUR).value.tolist() == [1.0, 2.0, 3.0]
        assert store.rows("intake-1", START, START + HOUR, fed_only=True).value.tolist() == [1.0, 3.0]


def test_repeats_are_told_after_a_restart(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        store.commit(batch(regular(10)))
    with opened(tmp_path / "s.db") as store:
        assert store.commit(batch(regular(10))).repeated == 30


def test_skids_do_not_mix(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db", skids=[skid("a"), skid("b")]) as store:
        both = Batch(rows=[*batch(rows((1, 0, 1.0)), name="a").rows, *batch(rows((1, 0, 2.0)), name="b").rows])
        assert store.commit(both).stored == 2
        assert store.rows("a", START, START + HOUR).value.tolist() == [1.0]
        assert store.rows("b", START, START + HOUR).value.tolist() == [2.0]


def test_readings_of_an_unknown_skid_or_signal_are_refused(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        with pytest.raises(StoreError, match="skid elsewhere"):
            store.commit(batch(rows((1, 0, 1.0)), name="elsewhere"))
        with pytest.raises(StoreError, match="told of all its signals"):
            store.commit(batch(rows((1, 3, 1.0))))


def test_event_time_reached_never_goes_back(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        for tick in (START + 5, START + 3):
            store.commit(Batch(ticks={"intake-1": tick}))
        assert store.tick("intake-1") == START + 5


def test_status_counts_what_came_and_how_fast(tmp_path: Path) -> None:
    clock = Clock(START + HOUR)
    with opened(tmp_path / "s.db", clock) as store:
        store.commit(batch(regular(60)))
        store.commit(batch(regular(60), rejections=[Rejection(Reason.UNDECODABLE, None, None, "river/x", "??")]))
        clock.now += MINUTE
        found = store.status()
    assert found["readings"] | {"recent": 180, "oldest": START, "newest": START + 59_000_000_000} == found["readings"]
    assert found["rates"]["last_minute"] == {"commits": 2, "readings": 180, "repeated": 180, "rejected": 1, "events": 0}
    assert found["rates"]["last_hour"]["readings"] == 3.0
    assert found["quarantine"] == {"repeated": 180, "undecodable": 1}
    assert found["skids"]["intake-1"]["lag_s"] == 3_601.0
    assert found["bytes"]["database"] + found["bytes"]["log"] > 0
    assert found["schema"]["number"] == len(migrations.shipped())
