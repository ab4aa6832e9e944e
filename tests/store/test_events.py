from __future__ import annotations

from pathlib import Path

from store.samples import HOUR, START, event, opened, skid

from monitor.model import NS, Fact, Transition
from monitor.store import Batch, Checkpoint


def test_an_event_computed_again_is_not_new(tmp_path: Path) -> None:
    first, again = event(1, message="as first said"), event(1, message="as said after a restart")
    with opened(tmp_path / "s.db") as store:
        assert store.commit(Batch(events=[first])).new_events == [first]
        assert store.commit(Batch(events=[again, event(2)])).new_events == [event(2)]
        assert store.event(first.id) == first
        assert store.event("intake-1/none") is None
        assert store.status()["events"] == 2


def test_an_event_keeps_every_field(tmp_path: Path) -> None:
    full = event(5, "signal-fault", transition=Transition.NOTED, vessel="A", signal="PT-1", detail="stale",
                 grade="likely", value=0.25, unit="1", onset=START,
                 evidence={"window": [1.5, None], "why": {"größer": True}})
    with opened(tmp_path / "s.db") as store:
        store.commit(Batch(events=[full]))
        assert store.event(full.id) == full


def test_events_are_paged_newest_first(tmp_path: Path) -> None:
    told = [event(i // 2, f"kind-{i % 2}") for i in range(20)]  # two at each time
    with opened(tmp_path / "s.db") as store:
        store.commit(Batch(events=told))
        page = store.events(limit=7)
        seen = [e.id for e in page]
        while page:
            page = store.events(limit=7, before=seen[-1])
            seen += [e.id for e in page]
        assert seen == [e.id for e in reversed(told)]


def test_events_are_chosen_by_skid_span_and_kind(tmp_path: Path) -> None:
    told = [event(1), event(2, "surge"), event(3, "surge"), event(2, skid="intake-2")]
    with opened(tmp_path / "s.db", skids=[skid(), skid("intake-2")]) as store:
        store.commit(Batch(events=told))
        assert store.events("intake-2") == [told[3]]
        assert store.events("intake-1", kinds=["surge"]) == [told[2], told[1]]
        assert store.events("intake-1", START + 2 * NS, START + 3 * NS) == [told[1]]
        assert store.events("intake-1", kinds=[]) == []


def test_an_alarm_state_is_replaced_and_removed(tmp_path: Path) -> None:
    skidwide, of_vessel = ("intake-1", "dp-limit", None, None), ("intake-1", "closure-seep", "A", "LS-1")
    with opened(tmp_path / "s.db") as store:
        store.commit(Batch(alarm_states={skidwide: {"state": "normal"}, of_vessel: {"state": "latched"}}))
        store.commit(Batch(alarm_states={skidwide: {"state": "active", "since": START}, of_vessel: None}))
        assert store.alarm_states() == {skidwide: {"state": "active", "since": START}}


def test_facts_keep_their_history_and_the_newest_holds(tmp_path: Path) -> None:
    learned = (5, 2.0), (1, 1.0), (9, float("inf")), (5, 2.5)
    facts = [Fact("intake-1", "clean", value, START + t) for t, value in learned]
    with opened(tmp_path / "s.db") as store:
        store.commit(Batch(facts=facts))
        assert store.facts("intake-1") == {"clean": facts[2]}
        assert [f.value for f in store.fact_history("intake-1", "clean")] == [1.0, 2.5, float("inf")]


def checkpoint(seconds: float) -> Checkpoint:
    return Checkpoint(START + int(seconds * NS), 1, "fp", b"state at %d" % seconds)


def test_the_last_two_checkpoints_can_be_had(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        assert store.checkpoint("intake-1") is None
        for seconds in range(0, 3_000, 600):
            store.commit(Batch(checkpoints={"intake-1": checkpoint(seconds)}))
        assert store.checkpoint("intake-1") == checkpoint(2_400)
        assert store.checkpoint("intake-1", generation=1) == checkpoint(1_800)


def test_checkpoints_thin_out_to_one_an_hour_and_end_with_one_an_event_can_start_from(tmp_path: Path) -> None:
    with opened(tmp_path / "s.db") as store:
        for seconds in range(0, 48 * 3_600, 600):
            store.commit(Batch(checkpoints={"intake-1": checkpoint(seconds)}))
        times = [c[0] for c in store._handle.query("SELECT (released - ?) / ? FROM checkpoint ORDER BY 1", (START, NS))]
        newest = 48 * 3_600 - 600
        assert times[-2:] == [newest - 600, newest]
        assert len(times) <= 6
        assert max(t for t in times if t <= newest - 7_200) >= newest - 7_200 - 3_600


def test_an_event_pins_a_checkpoint_before_its_window(tmp_path: Path) -> None:
    told = event(10 * 3_600)
    with opened(tmp_path / "s.db") as store:
        for seconds in range(0, 48 * 3_600, 600):
            events = [told] if seconds == 10 * 3_600 else []
            store.commit(Batch(checkpoints={"intake-1": checkpoint(seconds)}, events=events))
        pinned = store.pinned(told.id)
        assert pinned is not None and pinned[2] is not None
        assert pinned[0] == pinned[2] <= told.time - 2 * HOUR and pinned[1] == told.time + HOUR
        assert pinned[0] >= told.time - 3 * HOUR - HOUR
        found = store.checkpoint("intake-1", at=told.time - 2 * HOUR)
        assert found is not None and found.released == pinned[2]


def test_without_a_checkpoint_an_event_pins_its_window(tmp_path: Path) -> None:
    told = event(60)
    with opened(tmp_path / "s.db", pin_before=HOUR, pin_after=5 * NS) as store:
        store.commit(Batch(events=[told]))
        assert store.pinned(told.id) == (told.time - HOUR, told.time + 5 * NS, None)
