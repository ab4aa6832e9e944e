"""Clocks that jump: the machine's own, a transmitter's, and the hour that summer time takes or gives."""

from __future__ import annotations

import json
import time
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from commands.helpers import SKID
from daemon.rig import Messages, rig

from monitor.config import load
from monitor.model import NS, Rows
from monitor.skid import SkidSettings
from monitor.times import parse_time, to_rfc3339

# Instants at which the clocks of Norway changed in 2026 (IANA time zone database, rule EU), and the last leap second
# (IERS Bulletin C 52): 2016-12-31T23:59:60Z shares its number with the second after it (POSIX, "Seconds Since the
# Epoch").
SPRING, AUTUMN = 1_774_746_000, 1_792_890_000
LEAP = 1_483_228_800


@pytest.fixture
def skid(tmp_path: Path) -> SkidSettings:
    config = tmp_path / "skid.toml"
    config.write_text(SKID)
    return load(config).skids[0]


def readings(first: int, seconds: int, dp: float = 0.3) -> Rows:
    time = np.repeat((first + np.arange(seconds, dtype=np.int64)) * NS, 3)
    wobble = np.arange(seconds) % 7 / 1_000
    value = np.stack([2.8 + dp + wobble, 2.8 + wobble / 2, 40 + wobble], 1).ravel()
    return Rows(time, np.tile(np.arange(3, dtype=np.int16), seconds), value, np.zeros(time.size, np.uint8))


@pytest.mark.parametrize("jump", [3_600, -3_600, 86_400 * 30, -40])
def test_a_jump_of_the_machines_clock_moves_no_reading_and_raises_nothing_but_its_own_alarm(
    tmp_path: Path, skid: SkidSettings, jump: int
) -> None:
    """Time is what the transmitters say; ours only tells how long they have been silent."""
    with rig(tmp_path, skid, SPRING * NS) as r:
        for second in range(0, 240, 4):
            off = jump if second >= 120 else 0
            r.daemon.clock.now = (SPRING + second + 3 + off) * NS  # type: ignore[attr-defined]
            source = Messages(skid, readings(SPRING + second, 4))
            source.waiting = [(t, p, at + off * NS) for t, p, at in source.waiting]
            r.round(source)
        rows = r.store.rows("intake-1", 0, 2**62)
        assert rows.size == 3 * 240 and rows.time[-1] == (SPRING + 239) * NS
        assert {e.kind for e in r.store.events(limit=1_000)} <= {"monitor-fault"}
        assert r.store.status()["quarantine"] == {}
        # A limit passed afterwards is told as ever.
        source = Messages(skid, readings(SPRING + 240, 60, dp=2.2))
        source.waiting = [(t, p, at + jump * NS) for t, p, at in source.waiting]
        r.daemon.clock.now = (SPRING + 300 + jump) * NS  # type: ignore[attr-defined]
        r.round(source)
        r.round()
        assert ("dp-limit", "raised") in {(e.kind, str(e.transition)) for e in r.store.events(limit=1_000)}


@pytest.mark.parametrize("moment", [SPRING, AUTUMN])
def test_summer_time_moves_no_reading(tmp_path: Path, skid: SkidSettings, moment: int,
                                                       monkeypatch: pytest.MonkeyPatch) -> None:
    """On a machine set to local time, from gateways that write local time with its offset."""
    monkeypatch.setenv("TZ", "Europe/Oslo")
    time.tzset()
    try:
        zone = ZoneInfo("Europe/Oslo")
        found = told(tmp_path, skid, moment, [datetime.fromtimestamp(moment - 300 + i, zone).isoformat()
                                              for i in range(600)])
        assert found.size == 3 * 600 and (np.diff(found.time[::3]) == NS).all()
    finally:
        monkeypatch.undo()
        time.tzset()


def test_a_leap_second_moves_no_reading_and_is_kept_word_for_word(tmp_path: Path, skid: SkidSettings) -> None:
    """Two seconds share a number: the later one's readings are set aside, as another value for the same time."""
    texts = [to_rfc3339((LEAP - 300 + i) * NS) for i in range(600)]
    found = told(tmp_path, skid, LEAP, [*texts[:300], "2016-12-31T23:59:60Z", *texts[300:]],
                 aside={"conflicting": 3})
    assert found.size == 3 * 600 and (np.diff(found.time[::3]) == NS).all()


def told(folder: Path, skid: SkidSettings, moment: int, texts: list[str], aside: dict[str, int] | None = None) -> Rows:
    """What is stored of readings at these times; nothing is alarmed."""
    with rig(folder, skid, (moment - 300) * NS) as r:
        source = Messages(skid, Rows.empty())
        for i, text in enumerate(texts):
            values = (3.1 + i % 7 / 1_000, 2.8 + i % 7 / 2_000, 40 + i % 7 / 1_000)
            source.waiting += [(s.topic, json.dumps({"time": text, "value": v}).encode(), (moment - 300 + i) * NS)
                               for s, v in zip(skid.signals, values, strict=True)]
        r.daemon.clock.now = (moment + 300) * NS  # type: ignore[attr-defined]
        while source.waiting:
            r.round(source)
        assert [e for e in r.store.events(limit=1_000) if e.kind != "monitor-fault"] == []
        assert r.store.status()["quarantine"] == (aside or {})
        return r.store.rows("intake-1", 0, 2**62)


def test_the_leap_second_is_the_second_after_it() -> None:
    assert parse_time("2016-12-31T23:59:60Z") == LEAP * NS == parse_time("2017-01-01T00:00:00Z")
