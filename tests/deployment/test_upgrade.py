"""A store of an earlier release is taken up, and an earlier release can be gone back to.

`schema-3.db.gz` was written by the daemon as it was when its schema had three steps: four hours of three transmitters,
a reading every 10 s, part of them packed. In the last minutes dP jumps by 2.2 bar; then all three fall silent.
"""

from __future__ import annotations

import contextlib
import gzip
from pathlib import Path

import apsw
import numpy as np
import pytest
from commands.helpers import SKID
from daemon.rig import rig

from monitor.config import load
from monitor.errors import StoreError
from monitor.model import NS, Rows
from monitor.skid import SkidSettings
from monitor.store import Reader, Store, migrations
from monitor.store.backup import back_up, restore

STORED = Path(__file__).with_name("schema-3.db.gz")
START = 1_764_576_000 * NS
END = START + (4 * 3600 + 100) * NS
STEPS = 3
CALM_S = 7_000      # what jumped looks as a vessel that left: for two hours `changeout-due` waits for it
TOLD = [("dp-limit", "raised"), ("changeout-due", "raised"), *[("signal-fault", "raised")] * 3]
ALARMS = {"dp-limit": "unacknowledged", "changeout-due": "unacknowledged", "PT-101": "unacknowledged",
          "PT-102": "suppressed-by-design", "FT-101": "suppressed-by-design"}
RETURNED = {name: "returned-unacknowledged" for name, state in ALARMS.items() if state == "unacknowledged"}


@pytest.fixture
def old(tmp_path: Path) -> Path:
    path = tmp_path / "rig.db"
    path.write_bytes(gzip.decompress(STORED.read_bytes()))
    return path


@pytest.fixture
def skid(tmp_path: Path) -> SkidSettings:
    config = tmp_path / "skid.toml"
    config.write_text(SKID)
    return load(config).skids[0]


def calm(skid: SkidSettings, seconds: int) -> Rows:
    """dP at 0.3 bar again."""
    time = np.repeat(END + np.arange(seconds, dtype=np.int64) * NS, 3)
    wobble = np.arange(seconds) % 7 / 1_000
    value = np.stack([3.1 + wobble, 2.8 + wobble / 2, 40 + wobble], 1).ravel()
    assert [s.id for s in skid.signals] == ["PT-101", "PT-102", "FT-101"]
    return Rows(time, np.tile(np.arange(3, dtype=np.int16), seconds), value, np.zeros(time.size, np.uint8))


def told(path: Path) -> list[tuple[str, str, int]]:
    """By SQL alone: an earlier schema too. Through apsw like the program: two libraries of SQLite in one process undo
    each other's locks."""
    with contextlib.closing(apsw.Connection(str(path))) as db:
        return list(db.execute("SELECT kind, transition, time FROM event WHERE kind <> 'monitor-fault' ORDER BY seq"))


def standing(store: Store | Reader) -> dict[str, str]:
    return {key[3] or key[1]: body["state"] for key, body in store.alarm_states().items()
            if body["state"] != "normal" and key[1] != "monitor-fault"}


def test_readings_events_and_alarms_of_an_earlier_store_are_taken_up_and_go_on(
    old: Path, skid: SkidSettings, tmp_path: Path
) -> None:
    before, said = told(old), list[str]()
    assert [b[:2] for b in before] == TOLD
    with rig(tmp_path, skid, END, said) as r:
        assert r.store.rows("intake-1", START, END).size == 4_320
        assert standing(r.store) == ALARMS and told(old) == before
        assert "rebuilding from the stored readings" in " ".join(said)
        r.hear(calm(skid, CALM_S))
        after = told(old)
        assert after[:5] == before and sorted(t[:2] for t in after[5:]) == sorted((k, "cleared") for k, _ in TOLD)
        assert standing(r.store).items() >= RETURNED.items()
        r.stop()
    with rig(tmp_path, skid, END + CALM_S * NS, said) as r:
        assert standing(r.store).items() >= RETURNED.items()
    assert len(said) == 1, "after the upgrade its own checkpoint fits"


def test_going_back_needs_the_copy_from_before_and_has_everything_up_to_it(
    old: Path, skid: SkidSettings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy, content = tmp_path / "copy.db", old.read_bytes()
    back_up(old, copy)
    assert old.read_bytes() == content, "a copy does not bring the store up to date"
    with rig(tmp_path, skid, END) as r:
        r.stop()
    steps = migrations.shipped()[:STEPS]
    with monkeypatch.context() as earlier:
        earlier.setattr(migrations, "shipped", lambda: steps)
        with pytest.raises(StoreError, match="written by a newer version"):
            Store.open(old, now=lambda: END)
        with pytest.raises(StoreError, match="written by a newer version"):
            Reader.open(old)
        assert restore(copy, old) is not None
        with Store.open(old, now=lambda: END) as store:
            assert store.rows("intake-1", START, END).size == 4_320 and standing(store) == ALARMS
            assert store.status()["schema"]["number"] == STEPS


def test_a_kill_between_two_steps_of_an_upgrade_is_made_up_for_by_the_next_start(
    old: Path, skid: SkidSettings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = migrations.shipped()
    for there in range(STEPS, len(whole)):
        with monkeypatch.context() as earlier:      # what a kill after that step leaves
            earlier.setattr(migrations, "shipped", lambda n=there: whole[:n])
            Store.open(old, now=lambda: END).close()
        with contextlib.closing(apsw.Connection(str(old))) as db:
            assert db.pragma("user_version") == there
    with rig(tmp_path, skid, END) as r:
        assert r.store.status()["schema"]["number"] == len(whole) and standing(r.store) == ALARMS
