"""deploy/LAYOUTS.md against the real things: what is sent and exported equals the store, and every query there runs."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import psycopg
import pyarrow.parquet as pq
import pytest
from commands.helpers import ROOT, assert_for_people, bagwright, skid
from notify.river import Fast, opened, settings, whole
from notify.servers import Old, query
from services import eventually, influxd, postgres
from store.samples import START, rows

from monitor.commands.export import run_export
from monitor.daemon.notices import Notices
from monitor.daemon.outbox import Outbox
from monitor.errors import InputError
from monitor.model import NS
from monitor.notify.tables import TABLES, Table
from monitor.settings import Secret, SqlSettings
from monitor.store import Reader

TEXT = (ROOT / "deploy/LAYOUTS.md").read_text(encoding="utf-8")
COMMITS = 150       # a day and an hour


def blocks(kind: str) -> list[str]:
    found = re.findall(rf"(?ms)^```{kind}\n(.*?)^```", TEXT)
    assert found
    return found


class Peers:
    """A store that was sent to both databases and exported; the databases run on."""

    def __init__(self, folder: Path, sql: postgres, influx: influxd) -> None:
        self.folder, self.sql, self.influx = folder, sql, influx


@pytest.fixture(scope="module")
def peers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Peers]:
    folder = tmp_path_factory.mktemp("layouts")
    with postgres(folder) as sql, influxd(folder) as behind, Old(behind, "river") as server:
        behind.create_database("river")
        plain, clock = settings(folder, server.url), Fast(50_000.0)
        target = SqlSettings(port=sql.port, database="postgres", username=sql.user, password=Secret(sql.password))
        config = replace(plain, notify=replace(plain.notify, sql=target))
        with opened(config, clock) as store:
            notices = Notices(config, store, clock)
            for n in range(COMMITS):
                filled = whole(n)
                if n == 3:      # no value, and one between two µs
                    filled.rows.append(("intake-1", rows((1_801.0, 0, np.nan, 2), (1_801.000_000_5, 0, 1.5)),
                                        np.array([True, False])))
                notices.fill(filled)
                store.commit(filled)
            with Outbox(config, store, clock, lambda sentence: None):
                eventually(lambda: not any(told["queued"] for name, told in store.status()["outbox"].items()
                                           if name.startswith(("sql", "influx"))), 40)
            while store.pack(START + 10**18):
                pass
        skid(folder, '[store]\npath = "s.db"\n')
        run_export(folder / "skid.toml", folder / "lake", skid=None, first=None, last=None)
        yield Peers(folder, sql, behind)


def test_the_tables_on_the_page_are_those_of_the_program() -> None:
    for table in TABLES.values():
        assert f"| `{table.name}` | {', '.join(table.key)} | {described(table)} |" in TEXT


def described(table: Table) -> str:
    parts: list[tuple[str, list[str]]] = []
    for name, kind, _ in table.columns:
        if parts and parts[-1][0] == kind:
            parts[-1][1].append(name)
        else:
            parts.append((kind, [name]))
    return "; ".join(f"{', '.join(names)}: {kind}" for kind, names in parts)


def test_every_path_out_equals_the_store_reading_for_reading(peers: Peers) -> None:
    with Reader.open(peers.folder / "s.db") as reader:
        names = reader.signals("intake-1")
        stored = reader.rows("intake-1", START, START + 10**16)
        fed = reader.rows("intake-1", START, START + 10**16, fed_only=True)
    judged = set(zip(fed.time.tolist(), fed.signal.tolist(), strict=True))
    wanted = {(t, names[s]): (None if np.isnan(v) else v, q, (t, s) in judged)
              for t, s, v, q in zip(*(c.tolist() for c in stored), strict=True)}
    with psycopg.connect(peers.sql.url) as connection:
        found = connection.execute("SELECT time_ns, signal, value, quality, fed FROM bagwright.reading").fetchall()
    assert len(found) == len(wanted) and {(t, s): tuple(rest) for t, s, *rest in found} == wanted
    points = query(peers.influx, "river", 'SELECT * FROM "reading"')
    assert len(points) == len(wanted)
    assert {(p["time"], p["signal"]): (p["value"], p["quality"], p["fed"]) for p in points} == wanted
    first_day = {key: value for key, value in wanted.items() if key[0] < START + 86_400 * NS}
    files = sorted((peers.folder / "lake/reading").glob("*/*.parquet"))
    assert [str(f.relative_to(peers.folder / "lake")) for f in files] == ["reading/day=2026-01-01/intake-1.parquet"]
    content = pq.read_table(files[0])
    columns = [content[name].to_pylist() for name in ("signal", "value", "quality", "fed")]
    times = content["time"].cast("int64").to_pylist()
    assert {(t, s): tuple(rest) for t, s, *rest in zip(times, *columns, strict=True)} == first_day
    assert content.num_rows == len(first_day)
    assert json.loads(content.schema.metadata[b"units"]) == {"PT-1": "bar", "PT-2": "bar", "FT-1": "m^3/h"}
    minute = pq.read_schema(next((peers.folder / "lake/minute").glob("*/*.parquet")))
    assert minute.field("normalised_bar").metadata[b"unit"] == b"bar"
    assert minute.field("flow_m3_h").metadata[b"unit"] == b"m^3/h"
    assert str(minute.field("time").type) == "timestamp[ns, tz=UTC]"


def test_minutes_events_steps_forecasts_and_changeouts_are_the_same_in_both(peers: Peers) -> None:
    with psycopg.connect(peers.sql.url) as connection:
        for table in ("minute", "event", "alarm", "changeout", "forecast"):
            names = [name for name in TABLES[table].names if not name.endswith("_ns")]
            until = "returned_ns" if table == "changeout" else "time_ns"
            chosen = f"SELECT {', '.join(names)} FROM bagwright.{table} WHERE {until} < {START + 86_400 * NS}"
            sent = connection.execute(chosen).fetchall()
            frame = duckdb.sql(f"SELECT {', '.join(names)} FROM '{peers.folder}/lake/{table}/*/*.parquet'").fetchall()
            assert sorted(map(repr, sent)) == sorted(map(repr, frame)), table
            assert len(sent) == (288 if table == "event" else 144)


@pytest.mark.parametrize("statement", blocks("sql"))
def test_sql_queries_give_rows(peers: Peers, statement: str) -> None:
    with psycopg.connect(peers.sql.url) as connection:
        assert connection.execute(statement).fetchall()


@pytest.mark.parametrize("statement", blocks("influxql"))
def test_influxql_queries_give_points(peers: Peers, statement: str) -> None:
    assert query(peers.influx, "river", statement.strip())


@pytest.mark.parametrize("statement", blocks("duckdb"))
def test_duckdb_queries_give_rows(peers: Peers, monkeypatch: pytest.MonkeyPatch, statement: str) -> None:
    monkeypatch.chdir(peers.folder)
    found = duckdb.sql(statement).fetchall()
    assert found and (datetime(2026, 1, 1, tzinfo=UTC).date() in found[0] or "intake-1" in found[0])


def test_the_lines_for_pandas_run(peers: Peers, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(peers.folder)
    for lines in blocks("python"):
        exec(compile(lines, "LAYOUTS.md", "exec"), {})  # our own page
    assert pd.read_parquet("lake/forecast")["p50_h"].iloc[0] == 4.25


def test_an_export_goes_on_where_it_ended_and_days_asked_for_are_written_anew(
    peers: Peers, capsys: pytest.CaptureFixture[str]
) -> None:
    lake = peers.folder / "lake"
    before = {path: (path.read_bytes(), path.stat().st_ino) for path in lake.rglob("*.parquet")}
    run_export(peers.folder / "skid.toml", lake, skid=None, first=None, last=None)
    assert "nothing new" in capsys.readouterr().out
    run_export(peers.folder / "skid.toml", lake, skid=None, first="2026-01-01", last="2026-01-02")
    after = {path: (path.read_bytes(), path.stat().st_ino) for path in lake.rglob("*.parquet")}
    assert all(after[path][0] == content and after[path][1] != inode for path, (content, inode) in before.items())
    assert {p.parent.name for p in after} == {"day=2026-01-01", "day=2026-01-02"}
    with pytest.raises(InputError, match="no day; accepted"):
        run_export(peers.folder / "skid.toml", lake, skid=None, first="yesterday", last=None)


def test_a_folder_that_cannot_be_written_is_said_so(peers: Peers, tmp_path: Path) -> None:
    (tmp_path / "lake").write_text("a file")
    done = bagwright("export", "--config", peers.folder / "skid.toml", "--out", "lake", cwd=tmp_path)
    assert_for_people(done)
    assert done.code == 2 and "is no folder" in done.err
