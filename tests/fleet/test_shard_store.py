"""A shard's store on a real PostgreSQL beside the embedded one: what is asked of both is answered alike. And the lease:
whoever holds an older epoch changes nothing, sends nothing and never connects."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from services import postgres
from skids import START, duplex, steady

from monitor.daemon.ports import DaemonStore
from monitor.errors import InputError, StoreError
from monitor.fleet import retention
from monitor.fleet.database import Database, prepare
from monitor.fleet.lease import LeaseLostError
from monitor.fleet.reader import FleetReader
from monitor.fleet.shards import shard_of
from monitor.fleet.store import ShardStore
from monitor.fleet.view import ask
from monitor.model import NS, Action, Entry, Event, Fact, Minute, Reason, Rejection, Rows, Transition
from monitor.store import Batch, Checkpoint, Done, Notice, Reader, Store, StoreRetryError
from monitor.web.data import StoreReader

SKID = duplex()
ALARM = ("s", "dp-limit", None, None)


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[postgres]:
    with postgres(tmp_path_factory.mktemp("database")) as running:
        yield running


@pytest.fixture
def database(server: postgres) -> Iterator[Database]:
    """Empty, with tables of its own."""
    schema = f"t{time.time_ns()}"
    fresh = Database(server.url, "test")
    fresh._open().execute(f"CREATE SCHEMA {schema}; SET search_path = {schema}".encode())
    prepare(fresh, 4)
    yield fresh
    fresh.close()


def event(at: int, kind: str = "dp-limit", **more: object) -> Event:
    return Event(START + at * NS, "s", kind, Transition.RAISED, "dP \u00e4nderte sich",
                 evidence={"numbers": [1.5, 2]}, **more)  # type: ignore[arg-type]


def first_batch() -> Batch:
    rows = steady(np.linspace(0.2, 0.4, 50))
    return Batch(
        rows=[("s", rows, np.arange(rows.size) % 5 != 0)],
        rejections=[Rejection(Reason.BAD_TIME, "s", "in", "t/in", "a\0b", None, "no time")],
        events=[event(10), event(20, "surge", value=2.0, unit="bar", onset=START)],
        minutes=[("s", Minute(START + n * 10 * NS, 3.0, 2.0, 1.0, float("nan"), 288.0, dp, n > 0))
                 for n, dp in enumerate((1.0, 3.0, 2.0, float("nan")))],
        alarm_states={ALARM: {"state": "unacknowledged", "since": START, "id": "s/dp-limit"}},
        facts=[Fact("s", "clean/v0", {"a": 1.0}, START), Fact("s", "clean/v0", {"a": 2.0}, START + NS)],
        ticks={"s": START + 60 * NS}, checkpoints={"s": Checkpoint(START + 30 * NS, 3, "f", b"\x00state")},
        notices=[Notice("mqtt", "one", {"n": 1}, START), Notice("webhook x", "one", {"n": 1}, START + 1)],
        actions=[Action(START, "s", "trim", "ann", "why", {"zero": 1}, 7)],
        forecasts=[(START, "s", 1.0, 2.0, 3.0)], plans=[("s", START, [("next", "soon")])],
        journal=[Entry("j1", START, "s", "raised", "dp-limit")],
        done=[Done("cmd 1", START, "s", "ack", {"who": "ann"}, "done")],
    )


def second_batch() -> Batch:
    """Late, repeated and contradicting readings; what is known again, and what changes."""
    rows = steady(np.linspace(0.2, 0.4, 52)).take(slice(20, None))
    other = rows.take(slice(0, 3))
    other = Rows(other.time, other.signal, other.value + 1, other.quality)
    return Batch(
        rows=[("s", other, np.ones(3, bool)), ("s", rows, np.ones(rows.size, bool))], events=[event(10), event(30)],
        alarm_states={ALARM: None}, facts=[Fact("s", "clean/v0", {"a": 3.0}, START + NS)],
        checkpoints={"s": Checkpoint(START + 40 * NS, 3, "f", b"later")}, notices=[Notice("mqtt", "one", {"n": 2}, 0)],
        journal=[Entry("j1", START, "s", "raised", "dp-limit")],
    )


def told(store: DaemonStore) -> list[object]:
    """Everything that the daemon asks."""
    def plain(rows: Rows) -> list[object]:
        return [column.tolist() for column in rows]

    due = store.due("mqtt", START + 9 * NS, 10)
    return [
        plain(store.rows("s", START, START + 60 * NS)), plain(store.rows("s", START, START + 60 * NS, ["out", "in"])),
        [plain(r) for r in store.rows_after("s", START + 10 * NS)], store.latest("s"),
        store.event(event(10).id), store.event("s/none"), store.alarm_states(), store.facts("s"),
        store.facts("s", at=START), store.actions("s"), store.tick("s"), store.checkpoint("s"),
        store.checkpoint("s", generation=1), [(n.channel, n.key, n.body, n.created, n.attempts) for n in due],
        store.sent_since("mqtt", 0), [r._replace(id=0, answered=0) for r in store.requests()],
        {name: (told["queued"], told["sent"], told["refused"]) for name, told in store.outbox().items()},
    ]


def test_both_stores_answer_alike(database: Database, tmp_path: Path) -> None:
    now = lambda: START + 100 * NS      # noqa: E731
    shard = ShardStore(database, 2, "test", now=now)
    with Store.open(tmp_path / "s.db", now=now) as embedded:
        for store in (shard, embedded):
            store.configure([SKID])
        for batch in (first_batch, second_batch):
            here, there = embedded.commit(batch()), shard.commit(batch())
            assert (here.stored, here.repeated, here.conflicting) == (there.stored, there.repeated, there.conflicting)
            assert here.new_events == there.new_events
            assert told(shard) == told(embedded)
        contradicted = [rejection for _, rejection in embedded.quarantine(reason=str(Reason.CONFLICTING))]
        assert len(contradicted) == here.conflicting > 0
        assert contradicted == [Rejection(Reason(reason), *rest) for reason, *rest in database.query(
            "SELECT reason, skid, signal, origin, text, time, note FROM quarantine WHERE reason = 'conflicting'"
            " ORDER BY id DESC")]  # fmt: skip
        for store in (shard, embedded):
            first, second = store.due("mqtt", START + 9 * NS, 1)[0], store.due("webhook x", START + 9 * NS, 1)[0]
            store.sent([first.id])
            store.failed([second.id], "nobody there", START + 5 * NS)
            assert store.ask("cmd 2", "changed", {"who": "bob"}) == store.request(origin="cmd 2").id  # type: ignore[union-attr]
        assert told(shard) == told(embedded)
        for store in (shard, embedded):
            assert store.commit(first_batch()).new_events == []
        assert told(shard) == told(embedded)


def shown(reader: StoreReader) -> list[object]:
    """Everything that a page asks."""
    def plain(columns: Mapping[str, Any]) -> dict[str, str]:
        return {name: repr(column.tolist()) for name, column in columns.items()}

    end = START + 60 * NS
    return [
        reader.skids(), reader.latest("s"), reader.newest(), reader.all_latest(),
        plain(reader.minutes("s", START, end)), repr(reader.minute_figures(START, end)), reader.minute_figures(0, 1),
        {name: repr(sorted(told.items())) for name, told in reader.newest_minutes().items()},
        [c.tolist() for c in reader.rows("s", START, end, ["out", "in"])],
        reader.events("s"), reader.events(kinds=["surge"]), reader.events(limit=1),
        reader.events(before=event(20, "surge").id), reader.events(start=START + 20 * NS), reader.event(event(10).id),
        reader.journal(), reader.journal("s", START, end), plain(reader.forecasts("s", START, end)), reader.plans(),
        reader.newest_forecasts(), reader.facts("s"), reader.named_facts("clean"), reader.newest_facts("clean/v0"),
        [r._replace(id=0, answered=0) for r in reader.requests()], reader.alarm_states(),  # type: ignore[attr-defined]
    ]


def read(reader: FleetReader | Reader) -> list[object]:
    """What commands ask besides."""
    return [
        [[c.tolist() for c in rows] for rows in reader.rows_after("s", START + 10 * NS, signals=["out"])],
        reader.events_like("surge"), reader.events_like("s/", limit=2), reader.pinned("s/none"),
        reader.pinned(event(10).id), reader.facts("s", at=START), reader.actions("s"),
        reader.checkpoint("s"), reader.checkpoint("s", at=START + 35 * NS), reader.checkpoint("s", at=START),
        reader.journal(steps=["raised"]), reader.journal(steps=["ack"]),
    ]  # fmt: skip


def test_a_page_is_told_the_same_by_both_stores(database: Database, tmp_path: Path) -> None:
    now = lambda: START + 100 * NS      # noqa: E731
    shard = ShardStore(database, shard_of("s", 4), "test", now=now)
    pages = FleetReader(database, 4, [shard.shard])
    stamp = pages.stamp()
    with Store.open(tmp_path / "s.db", now=now) as embedded, Reader.open(tmp_path / "s.db") as reader:
        for store in (shard, embedded):
            store.configure([SKID])
        for batch in (first_batch, second_batch):
            shard.commit(batch())
            embedded.commit(batch())
            assert shown(pages) == shown(reader)
            assert read(pages) == read(reader)
    assert pages.stamp()[0] != stamp[0]
    with pytest.raises(StoreError, match="no shard has stored anything of skid other"):
        pages.rows("other", 0, 1)


def test_what_is_asked_reaches_the_shard_that_has_the_skid(database: Database) -> None:
    shards = [ShardStore(database, n, "test", now=lambda: START) for n in range(4)]
    mine = shards.pop(shard_of("s", 4))
    ask(database, 4, "s", "ack", {"target": "s/dp-limit"}, START)
    assert [(r.skid, r.body) for r in mine.requests(open_only=True)] == [("s", {"target": "s/dp-limit"})]
    assert not any(other.requests() for other in shards)
    other = shards[0]
    ask(database, 4, f"monitor {other.shard}", "ack", {"target": f"monitor {other.shard}/monitor-fault/disk"}, START)
    assert [(r.skid, r.body) for r in other.requests()] == [("monitor", {"target": "monitor/monitor-fault/disk"})]
    for nowhere in (None, "", "monitor", "monitor 4", "monitor x"):
        with pytest.raises(InputError, match="of which skid"):
            ask(database, 4, nowhere, "ack", {}, START)


def test_packed_hours_are_read_as_rows_are_and_what_comes_again_is_known(database: Database) -> None:
    """An hour and a half of noise, packed while readings come late, again and otherwise; then dropped by age."""
    hour = 3_600 * NS
    store = ShardStore(database, 2, "test", now=lambda: START)
    store.configure([SKID])
    start = START // hour * hour
    made = steady(0.2 + 0.01 * np.random.default_rng(5).standard_normal(5_400))
    every = Rows(made.time - made.time[0] + start, made.signal, made.value, made.quality)
    late = np.arange(every.size) % 1_000 == 7
    first, rest = every.take(~late), every.take(late)
    store.commit(Batch(rows=[("s", first, np.arange(first.size) % 3 != 0)]))

    def asked() -> list[object]:
        return [[c.tolist() for c in rows] for rows in
                (store.rows("s", start + 5, start + 2 * hour), store.rows("s", start, start + 900 * NS, ["out"]),
                 store.rows("s", start, start + hour, fed_only=True), *store.rows_after("s", start + 99 * NS))
                ] + [store.latest("s")]  # fmt: skip

    before = asked()
    assert not store.pack(start + hour - 1)
    while store.pack(start + hour):
        pass
    assert asked() == before
    assert database.query("SELECT min(time) >= %s FROM reading", (start + hour,)) == [(True,)]
    again = store.commit(Batch(rows=[("s", first, np.ones(first.size, bool))]))
    assert (again.stored, again.repeated, again.conflicting) == (0, first.size, 0)
    other = first.take(slice(0, 4))
    other = Rows(other.time, other.signal, other.value + 1, other.quality)
    assert store.commit(Batch(rows=[("s", other, np.ones(4, bool))])).conflicting == 4
    assert asked() == before
    assert store.commit(Batch(rows=[("s", rest, np.ones(rest.size, bool))])).stored == rest.size
    whole = asked()
    while store.pack(start + 3 * hour):
        pass
    assert asked() == whole and database.query("SELECT count(*) FROM reading") == [(0,)]
    assert [c.tolist() for c in store.rows("s", start, start + 2 * hour)] == [c.tolist() for c in every]
    size = database.query("SELECT sum(count)::bigint, sum(length(body))::bigint, count(*) FROM packed")
    assert database.query("SELECT readings, bytes, hours FROM packed_total") == size
    assert size[0][0] == every.size
    taken = ShardStore(database, 2, "next", now=lambda: START)      # knows what is packed from the database
    assert taken.commit(Batch(rows=[("s", every, np.ones(every.size, bool))])).repeated == every.size
    while taken.retain(start + 4 * 86_400 * NS, 3.0):
        pass
    assert database.query("SELECT readings, bytes, hours FROM packed_total") == [(0, 0, 0)]
    assert database.query("SELECT count(*) FROM packed") == [(0,)] and taken.latest("s") == {}


def test_tables_of_an_earlier_version_are_brought_up(server: postgres) -> None:
    old = Database(server.url, "test")
    connection = old._open()
    connection.execute("CREATE SCHEMA earlier; SET search_path = earlier")
    connection.execute((resources.files("monitor.fleet") / "schema.sql").read_text("utf-8").encode())
    connection.execute("INSERT INTO fleet (schema, shards) VALUES (1, 4);"
                       "INSERT INTO lease VALUES (1, 7, 'a', now(), now())")
    prepare(old, 4)
    prepare(old, 4)
    assert ShardStore(old, 1, "b", now=lambda: START).lease.epoch == 8
    old.query("UPDATE fleet SET schema = 99 RETURNING 1")
    with pytest.raises(StoreError, match="schema 99"):
        prepare(old, 4)
    old.close()


def test_what_is_old_or_too_much_goes_and_the_rest_stays(database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(retention, "REFUSED_KEPT", 3)
    day = 86_400 * NS
    store = ShardStore(database, 1, "test", now=lambda: START + NS, quarantine_rows=2)
    store.configure([SKID])
    first = first_batch()
    first.rejections = [Rejection(Reason.BAD_TIME, "s", "in", "t/in", str(n), None, "no time") for n in range(5)]
    first.notices += [Notice("webhook x", f"r{n}", {}, START) for n in range(5)]
    store.commit(first)
    store.refused([n.id for n in store.due("webhook x", START, 9) if n.key.startswith("r")], "400")
    store.sent([n.id for n in store.due("mqtt", START, 1)])

    def left() -> list[object]:
        return [database.query("SELECT count(*) FROM reading"), database.query("SELECT count(*) FROM minute"),
                database.query("SELECT text FROM quarantine ORDER BY id"),
                database.query("SELECT state, key FROM notice ORDER BY id")]  # fmt: skip

    readings, minutes, _, notices = left()
    while store.retain(START + NS, 3.0):
        pass
    waiting = [("queued", "one"), *(("refused", f"r{n}") for n in (2, 3, 4))]
    assert notices[0] == ("sent", "one")    # type: ignore[index]
    assert left() == [readings, minutes, [("3",), ("4",)], [("sent", "one"), *waiting]]
    assert store.outbox()["webhook x"] | {"refused": 3, "dropped": 2} == store.outbox()["webhook x"]
    while store.retain(START + 29 * day, 3.0):
        pass
    assert left() == [[(0,)], minutes, [("3",), ("4",)], [("sent", "one"), *waiting]]
    while store.retain(START + 3_661 * day, 3.0):
        pass
    assert left()[1] == [(0,)] and left()[3] == waiting
    assert store.latest("s") == {} and len(store.facts("s")) == 1 and store.event(event(10).id) is not None


def test_a_stale_epoch_changes_nothing_sends_nothing_and_does_not_connect(database: Database) -> None:
    now = lambda: START     # noqa: E731
    old = ShardStore(database, 1, "old", now=now)
    old.configure([SKID])
    old.commit(first_batch())
    new = ShardStore(database, 1, "new", now=now)
    before = told(new)
    assert (old.lease.epoch, new.lease.epoch) == (1, 2) and new.speaks() and new.why_silent() is None
    assert not old.speaks() and "epoch in force 2, ours 1" in str(old.why_silent())
    for step in (
        lambda: old.commit(second_batch()), lambda: old.due("mqtt", START + NS, 10), lambda: old.sent([1]),
        lambda: old.failed([1], "x", 0), lambda: old.refused([1], "x"), lambda: old.configure([SKID]),
        lambda: old.ask("late", "ack", {}), lambda: old.lease.beat(), lambda: old.drop_oldest("mqtt", 0),
        lambda: old.retain(START + 10**18, 1.0),
    ):  # fmt: skip
        with pytest.raises(LeaseLostError):
            step()
    assert told(new) == before
    other = ShardStore(database, 3, "beside", now=now)
    assert other.lease.epoch == 1 and new.speaks()


def test_a_commit_cut_in_the_middle_does_not_hold_up_who_takes_over(server: postgres, database: Database) -> None:
    """The server ends a transaction that stands still for three seconds; a commit under way is waited for."""
    path = database.query("SHOW search_path")[0][0]
    second = Database(server.url, "second")
    second._open().execute(f"SET search_path = {path}".encode())
    old = ShardStore(database, 1, "old", now=lambda: START)
    old.configure([SKID])
    began = time.monotonic()
    with pytest.raises(StoreRetryError), old._writing():
        new = ShardStore(second, 1, "new", now=lambda: START)       # as if we were stopped here
        assert 2.0 < time.monotonic() - began < 12.0
        database._open().execute("INSERT INTO skid (shard, id) VALUES (1, 'never')")
    assert new.lease.epoch == 2 and second.query("SELECT 1 FROM skid WHERE id = 'never'") == []
    second.close()


def test_skids_keep_their_shard() -> None:
    """Fixed for ever: the first eight bytes of SHA-256, here as `sha256sum` and `bc` give them."""
    assert [shard_of(name, 16) for name in ("intake-1", "yard-0", "\u00fc")] == [4, 15, 4]
    assert {shard_of(f"skid-{n}", 8) for n in range(100)} == set(range(8))
