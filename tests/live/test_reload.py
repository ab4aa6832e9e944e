"""A configuration taken anew by a running daemon: skids come and go, nothing is lost, a faulty one changes nothing."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

from services import eventually, mosquitto

from monitor.model import NS
from monitor.store import Reader
from monitor.times import to_rfc3339
from tests.live.conftest import Peer
from tests.live.daemon import CONFIG, ROOT, DaemonProcess, Publisher
from tests.live.test_daemon import PATIENT_BROKER

HEADERS = ("up", "down", "flow")


def skid(name: str) -> str:
    """The second skid: no tables that the whole folder has once."""
    text = CONFIG.replace('"rig"', f'"{name}"').replace("rig/", f"{name}/")
    return text[: text.index("[broker]")].format(more="")


class Plant:
    """Publishes both skids' readings, ten a second of each, until it ends."""

    def __init__(self, port: int) -> None:
        self.sent = {"rig": 0, "annex": 0}
        self._publisher, self._end = Publisher(port), threading.Event()
        self._thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        eventually(self._publisher.client.is_connected, 20)
        while not self._end.wait(0.1):
            stamp = to_rfc3339(time.time_ns())
            for name in self.sent:
                body = f'{{"time": "{stamp}", "value": 5.0}}'.encode()
                assert self._publisher.send([(f"{name}/{h}", body) for h in HEADERS], patience=30)
                self.sent[name] += len(HEADERS)

    def __enter__(self) -> Plant:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._end.set()
        self._thread.join()
        self._publisher.close()


def stored(path: Path, name: str) -> int:
    with Reader.open(path) as reader:
        return reader.rows(name, 0, 1 << 62, list(HEADERS)).size if name in reader.skids() else 0


def test_skids_come_and_go_nothing_is_lost_and_a_faulty_configuration_changes_nothing(tmp_path: Path) -> None:
    with mosquitto(tmp_path, config_extra=PATIENT_BROKER) as broker:
        folder, store = tmp_path / "skids", tmp_path / "rig.db"
        folder.mkdir()
        (folder / "rig.toml").write_text(CONFIG.format(port=broker.port, store=store, more=""))
        room = Peer(broker.settings(client_id="room"), "bagwright/state")
        with DaemonProcess(folder) as daemon:
            eventually(lambda: "connected" in daemon.log.read_text(), 60)
            with Plant(broker.port) as plant:
                reloads(folder, store, daemon)
            eventually(lambda: stored(store, "rig") == plant.sent["rig"], 30, "every reading of the skid that stayed")
            assert {json.loads(payload)["state"] for _, payload, _ in room.heard} == {"online"}, "it was never gone"
            assert daemon.stop() == 0
        room.close()
        with Reader.open(store) as reader:
            lines = [e for e in reversed(reader.journal(limit=50)) if e.step in ("reload", "refused")]
        assert [(e.step, e.who, e.via) for e in lines] == [
            ("reload", "", "signal"), ("refused", "", "signal"), ("reload", "Ada", "command line")]


def reloads(folder: Path, store: Path, daemon: DaemonProcess) -> None:
    """One with another skid, one with faults, one without the other skid again."""
    said = lambda: daemon.log.read_text()  # noqa: E731
    eventually(lambda: stored(store, "rig") > 0, 60)
    assert stored(store, "annex") == 0

    (folder / "annex.toml").write_text(skid("annex"))
    assert daemon.process is not None
    daemon.process.send_signal(signal.SIGHUP)
    eventually(lambda: "in force: added annex" in said(), 30)
    eventually(lambda: stored(store, "annex") > 0, 30)

    bad = skid("annex").replace('"20 psi"', '"20"').replace('"inlet-pressure"', '"inlet"')
    (folder / "annex.toml").write_text(bad)
    daemon.process.send_signal(signal.SIGHUP)
    eventually(lambda: "the configuration before stays in force" in said(), 30)
    assert "changeout_dp" in said() and "inlet" in said().split("refused: ")[1], "every fault is named"
    before = stored(store, "annex")
    eventually(lambda: stored(store, "annex") > before, 30)

    (folder / "annex.toml").unlink()
    typed = subprocess.run(
        [sys.executable, "-m", "monitor", "reload", "--config", str(folder), "--by", "Ada"],
        cwd=ROOT, env=os.environ | {"PYTHONPATH": str(ROOT)}, capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    assert "in force: removed annex" in typed.stdout
    now = time.time_ns()
    eventually(lambda: newest(store) > now + NS, 30)
    assert daemon.process.poll() is None and "its checkpoint is not used" not in said()


def newest(path: Path) -> int:
    with Reader.open(path) as reader:
        return max(t for t, *_ in reader.latest("rig").values())
