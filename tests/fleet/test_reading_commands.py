"""`explain`, `plan`, `report`, `journal` and `alarms` say of a fleet's database what they say of a daemon's store."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable
from pathlib import Path

import msgspec
import numpy as np
import pytest
from commands.helpers import skid
from commands.test_explain import readings
from services import postgres

from monitor.commands.alarm_report import run_report
from monitor.commands.explain import run_explain
from monitor.commands.journal import run_journal
from monitor.commands.period_report import write_period
from monitor.commands.plan import run_plan
from monitor.commands.stored import fleet_database
from monitor.config import load
from monitor.daemon.rebuild import Memory
from monitor.engine.engine import STATE_VERSION, Engine
from monitor.errors import InputError
from monitor.fleet.shards import shard_of
from monitor.fleet.store import ShardStore
from monitor.model import Entry, Event
from monitor.store import Batch, Checkpoint, Store


def batches(config: Path) -> tuple[list[Batch], list[Event]]:
    """What a daemon would commit."""
    engine, rows, made = Engine(load(config).skids), readings(), []
    events: list[Event] = []
    for part in np.array_split(np.arange(rows.size), 20):
        piece = rows.take(part)
        output, _ = engine.feed({0: piece})
        memory = msgspec.json.encode(Memory(offset=0, engine=msgspec.Raw(engine.snapshot(0))))
        checkpoint = Checkpoint(engine.reached(0), STATE_VERSION, engine.fingerprint(0), memory)
        journal = [Entry(f"{step} {e.id}", e.time + n, e.skid, step, e.kind) for e in output.events
                   for n, step in enumerate(("raised", "ack"))]  # fmt: skip
        made.append(Batch(rows=[("intake-1", piece, np.ones(piece.size, bool))], events=output.events, journal=journal,
                          minutes=[("intake-1", minute) for _, minute in output.minutes],
                          checkpoints={"intake-1": checkpoint}))  # fmt: skip
        events += output.events
    return made, events


def said(command: Callable[[], None], capsys: pytest.CaptureFixture[str]) -> str:
    command()
    return capsys.readouterr().out


def test_commands_say_the_same_of_both_stores(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with contextlib.ExitStack() as stack:
        server = stack.enter_context(postgres(tmp_path))
        secret = tmp_path / "database"
        secret.write_text(server.url)
        secret.chmod(0o600)
        configs = []
        for name, more in (("one", '[store]\npath = "kept.db"\n'),
                           ("fleet", f'[fleet]\nshards = 4\ndatabase_file = "{secret}"\n')):  # fmt: skip
            (tmp_path / name).mkdir()
            configs.append(skid(tmp_path / name, more))
        one, fleet = configs
        made, events = batches(one)
        settings = load(fleet)
        database = stack.enter_context(fleet_database(settings))
        for store in (Store.open(load(one).store.path, now=lambda: 0),
                      ShardStore(database, shard_of("intake-1", 4), "test", now=lambda: 0)):  # fmt: skip
            with store:
                store.configure(settings.skids)
                for batch in made:
                    store.commit(batch)
        event = next(e for e in events if e.kind == "dp-limit")
        for command in (
            lambda c: run_plan(c, skid_id=None),
            lambda c: run_journal(c, skid=None, start=None, limit=9, people=False, as_json=False),
            lambda c: run_journal(c, skid="intake-1", start=None, limit=9, people=True, as_json=True),
            lambda c: run_report(c, days=1.0, skid=None, as_json=False),
        ):
            told = [said(lambda c=c, command=command: command(c), capsys) for c in configs]      # type: ignore[misc]
            assert told[0] == told[1] and told[0].strip() != ""
        reports = []
        for config in configs:
            out = config.parent / "report.html"
            write_period(config, out, period="day", at=None, timezone="UTC", skid=None)
            reports.append(out.read_text())
        assert reports[0] == reports[1]
        capsys.readouterr()
        told = [said(lambda c=c: explained(c, event.id), capsys) for c in configs]      # type: ignore[misc]
        # A fleet keeps no checkpoint for an event: it is run again from readings alone, and comes out all the same.
        assert "from the checkpoint of" in told[0] and "without a checkpoint, from" in told[1]
        assert all("the same event came out" in " ".join(text.split()) for text in told)
        assert [re.split(r"\nreplayed ", text)[0] for text in told[:1]] == [re.split(r"\nreplayed ", told[1])[0]]
        with pytest.raises(InputError, match=r"nothing-like-it: no event of postgresql://\S+ has this"):
            explained(fleet, "nothing-like-it")


def explained(config: Path, wanted: str) -> None:
    run_explain(wanted, config=config, store=None, folder=None, plot=None, replay=True)
