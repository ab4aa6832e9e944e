"""What is configured for the store reaches the parts of the daemon."""

from __future__ import annotations

import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from commands.helpers import Running, publish, skid
from services import eventually, mosquitto

from monitor.commands.run import watch
from monitor.config import load
from monitor.errors import StoreError
from monitor.store import Reader


@pytest.mark.timeout(300)
def test_no_more_refused_messages_are_kept_word_for_word_than_configured(tmp_path: Path) -> None:
    with mosquitto(tmp_path) as broker:
        more = f'[broker]\nport = {broker.port}\n[store]\npath = "s.db"\nquarantine_rows = 5\n'
        config = skid(tmp_path, more)
        with Running("run", "--no-page", "--config", config.name, cwd=tmp_path) as run:
            run.says("connected")
            time.sleep(0.5)
            publish(broker.port, [("hatchery/PT-101", f"rubbish {i}".encode()) for i in range(50)])
            eventually(lambda: counted(tmp_path / "s.db") == 50, 30, "refusals counted")
            assert run.stop().code == 0
    with Reader.open(tmp_path / "s.db") as reader:
        assert {r.text for _, r in reader.quarantine(limit=100)} == {f"rubbish {i}" for i in range(45, 50)}


def counted(store: Path) -> int:
    with Reader.open(store) as reader:
        return sum(c.number for c in reader.quarantine_counts())


def test_the_outbox_is_bounded_as_configured(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: dict[str, Any] = {}

    def outbox(*parts: Any, **options: Any) -> Any:
        seen.update(options)
        raise StoreError("far enough")

    monkeypatch.setattr("monitor.daemon.outbox.Outbox", outbox)
    settings = load(skid(tmp_path, '[store]\npath = "s.db"\noutbox_limit = "3 MB"\n'))
    for expected in (settings, replace(settings, store=replace(settings.store, outbox_limit=7))):
        with pytest.raises(StoreError, match="far enough"):
            watch(expected, time.time_ns, threading.Event())
        assert seen["limit_bytes"] == expected.store.outbox_limit
    assert settings.store.outbox_limit == 3_000_000
