"""A real PostgreSQL that is away, back, killed, slow or unwilling: every row arrives once, and a refusal says why."""

from __future__ import annotations

import json
import os
import signal
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import psycopg
import pytest
from notify.river import SIGNALS, Fast, opened, settings, whole
from services import eventually, postgres
from store.samples import START

from monitor.daemon import outbox as threads
from monitor.daemon.notices import SQL, SQL_EVENTS, Notices
from monitor.daemon.outbox import Outbox
from monitor.model import NS
from monitor.notify.delivery import unpack
from monitor.notify.outcome import Later, Refused, Taken
from monitor.notify.sql import SqlWriter
from monitor.notify.tables import TABLES
from monitor.settings import Secret, Settings, SqlSettings
from monitor.store import Store

COMMITS = 12


@pytest.fixture(scope="module")
def database(tmp_path_factory: pytest.TempPathFactory) -> Iterator[postgres]:
    with postgres(tmp_path_factory.mktemp("sql")) as server:
        yield server


def target(server: postgres, **changes: Any) -> SqlSettings:
    known = {"port": server.port, "database": "postgres", "username": server.user, "password": Secret(server.password)}
    return SqlSettings(**known | changes)


def config(folder: Path, sql: SqlSettings) -> Settings:
    plain = settings(folder)
    return replace(plain, notify=replace(plain.notify, sql=sql))


def commit(store: Store, notices: Notices, n: int) -> None:
    filled = whole(n)
    notices.fill(filled)
    store.commit(filled)


def ask(server: postgres, query: str) -> list[tuple[Any, ...]]:
    with psycopg.connect(server.url) as connection:
        return connection.execute(query).fetchall()


def waiting(store: Store) -> int:
    told = store.status()["outbox"]
    return sum(told[name]["queued"] for name in (SQL, SQL_EVENTS) if name in told)


def test_what_is_committed_while_the_database_is_away_killed_or_back_arrives_once_and_equal_to_the_store(
    tmp_path: Path, database: postgres, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(threads, "POLL_S", 0.01)
    clock, said = Fast(3_000.0), list[str]()
    wanted = config(tmp_path, target(database, schema="outage"))
    with opened(wanted, clock) as store:
        notices = Notices(wanted, store, clock)
        database.stop()
        with Outbox(wanted, store, clock, said.append) as outbox:
            for n in range(COMMITS // 3):
                commit(store, notices, n)
            outbox.wake()
            eventually(lambda: len(said) == 2, what="both senders say that it is away")
            assert waiting(store) > 0 and all("Connection refused" in s and "tried again" in s for s in said)
            database.start()
            for n in range(COMMITS // 3, 2 * COMMITS // 3):
                commit(store, notices, n)
                outbox.wake()
            eventually(lambda: waiting(store) < 10)
            database.kill()
            for n in range(2 * COMMITS // 3, COMMITS):
                commit(store, notices, n)
            database.start()
            commit(store, notices, 3)       # computed once more, as after a kill of ours
            outbox.wake()
            eventually(lambda: waiting(store) == 0, 30)
        stored = store.rows("intake-1", START, START + 10**16)
        fed = store.rows("intake-1", START, START + 10**16, fed_only=True)
        names = store.signals("intake-1")
    late = set(zip(stored.time.tolist(), stored.signal.tolist(), strict=True)) - set(
        zip(fed.time.tolist(), fed.signal.tolist(), strict=True))
    assert ask(database, "SELECT time_ns, signal, value, quality, fed, unit FROM outage.reading "
                         "ORDER BY time_ns, array_position(ARRAY['PT-1','PT-2','FT-1'], signal)") == [
        (t, names[s], v, q, (t, s) not in late, "m^3/h" if names[s] == "FT-1" else "bar")
        for t, s, v, q in zip(*(part.tolist() for part in stored), strict=True)]
    assert stored.size == COMMITS * SIGNALS * 60
    counted = {name: ask(database, f"SELECT count(*) FROM outage.{name}")[0][0] for name in TABLES}
    assert counted == {"signal": 3, "reading": stored.size, "minute": COMMITS, "event": 2 * COMMITS, "alarm": COMMITS,
                       "changeout": COMMITS, "forecast": COMMITS}
    assert ask(database, "SELECT DISTINCT who, why, isa_5_1, ne_107 FROM outage.alarm") == [
        ("Ada Brook", "seen", "PDAHH", "out-of-specification")]
    assert ask(database, "SELECT time, p50_h FROM outage.forecast ORDER BY time_ns LIMIT 1")[0][1] == 4.25
    # `time` is what `time_ns` says, to the microsecond
    apart = "SELECT max(abs(extract(epoch FROM time) - time_ns / 1e9)) FROM outage.reading"
    assert ask(database, apart)[0][0] <= 1e-6


def test_a_first_commit_that_is_tried_again_still_says_what_the_signals_are(tmp_path: Path) -> None:
    wanted = config(tmp_path, SqlSettings())
    with opened(wanted, Fast(1.0)) as store:
        notices, first, second = Notices(wanted, store, Fast(1.0)), whole(0), whole(1)
        notices.fill(first)
        once = first.notices
        notices.fill(first)     # the store could not be written
        assert [n.key for n in first.notices] == [n.key for n in once]
        store.commit(first)
        notices.fill(second)
    told = [[json.loads(line)[0] for n in batch.notices if n.channel == SQL for line in unpack(n.body)].count("signal")
            for batch in (first, second)]
    assert told == [SIGNALS, 0]


@pytest.fixture
def writer(database: postgres, request: pytest.FixtureRequest) -> Iterator[SqlWriter]:
    made = SqlWriter(target(database, schema="refusing", **getattr(request, "param", {})), answer_s=1.0)
    yield made
    made.close()


def lines(count: int) -> list[str]:
    return [f'["reading", "intake-1", "PT-1", {START + i * NS}, {i / 4!r}, "bar", 0, true]' for i in range(count)]


def test_only_rows_that_the_database_refuses_are_refused_with_its_reason(writer: SqlWriter, database: postgres) -> None:
    assert writer.deliver(lines(1)).left == []
    ask_nothing(database, "ALTER TABLE refusing.reading ADD CONSTRAINT plausible CHECK (value < 50 OR value > 51)")
    hostile = ['["reading", "x", "y", 99999999999999999999, 1.0, "bar", 0, true]', '["reading", 1]', "no json",
               '["pg_user", "a"]', '["reading", "x", "PT-1", "1; DROP TABLE reading", 1.0, "bar", 0, true]']
    result = writer.deliver([*lines(400), *hostile])
    assert (result.left, result.later) == ([], None)
    refused = dict(result.refused)
    assert {line for line in refused if line in lines(400)} == set(lines(400)[200:205])
    assert all("plausible" in refused[line] for line in lines(400)[200:205])
    assert set(hostile) < set(refused) and len(refused) == 5 + len(hostile)
    assert ask(database, "SELECT count(*) FROM refusing.reading") == [(395,)]


def ask_nothing(server: postgres, statement: str) -> None:
    with psycopg.connect(server.url) as connection:
        connection.execute(statement)


@pytest.mark.parametrize(("changes", "reason", "slow"), [
    ({"password": Secret("quite-wrong-7")}, "password authentication failed", True),
    ({"database": "nowhere"}, 'database "nowhere" does not exist', True),
    ({"port": 1}, "Connection refused", False),
    ({"tls": True}, "does not support SSL", False),
])
def test_a_database_that_cannot_be_used_is_said_so_and_nothing_is_lost(
    database: postgres, changes: dict[str, Any], reason: str, slow: bool
) -> None:
    made = SqlWriter(target(database, **changes))
    result = made.deliver(lines(3))
    assert result.left == lines(3) and result.refused == [] and result.later is not None
    assert reason in result.later.reason and result.later.slow is slow
    assert "quite-wrong-7" not in result.later.reason
    made.close()


def test_who_may_not_make_tables_is_told_and_may_write_where_they_are_made(database: postgres) -> None:
    for statement in ("CREATE ROLE clerk LOGIN PASSWORD 'clerk-river-9'", "CREATE SCHEMA kept"):
        ask_nothing(database, statement)
    clerk = SqlWriter(target(database, username="clerk", password=Secret("clerk-river-9"), schema="kept"))
    outcome = clerk.write(lines(1))
    assert isinstance(outcome, Later) and outcome.slow and "permission denied" in outcome.reason
    owner = SqlWriter(target(database, schema="kept"))
    assert isinstance(owner.write(lines(1)), Taken)
    ask_nothing(database, "GRANT USAGE ON SCHEMA kept TO clerk; "
                          "GRANT SELECT, INSERT, UPDATE ON ALL TABLES IN SCHEMA kept TO clerk")
    assert isinstance(clerk.write(lines(2)), Taken)
    assert ask(database, "SELECT count(*) FROM kept.reading") == [(2,)]
    clerk.close()
    owner.close()


def test_a_database_that_says_nothing_more_is_left_after_its_time(writer: SqlWriter, database: postgres) -> None:
    assert isinstance(writer.write(lines(1)), Taken)
    assert writer._connection is not None
    backend = writer._connection.info.backend_pid
    os.kill(backend, signal.SIGSTOP)
    begun = time.monotonic()
    try:
        outcome = writer.write(lines(2))
    finally:
        os.kill(backend, signal.SIGCONT)
    assert isinstance(outcome, Later) and not outcome.slow and 0.9 < time.monotonic() - begun < 5
    assert isinstance(writer.write(lines(2)), Taken)


def test_numbers_keep_every_bit(writer: SqlWriter, database: postgres) -> None:
    values = np.random.default_rng(5).standard_normal(200) * 10.0 ** np.arange(-100, 100)
    made = [f'["reading", "bits", "PT-1", {i}, {v!r}, "bar", 0, true]' for i, v in enumerate(values.tolist())]
    assert isinstance(writer.write(made), Taken)
    found = ask(database, "SELECT value FROM refusing.reading WHERE skid = 'bits' ORDER BY time_ns")
    assert [v for (v,) in found] == values.tolist()
    assert isinstance(writer.write(["[]"]), Refused)
    assert isinstance(writer.write(['["signal", "\\ud800", "a\\u0000b", "flow", null, "bar", 0.0, 6.0]']), Taken)
    assert ask(database, "SELECT skid, signal FROM refusing.signal") == [("?", "a b")]
