"""A store with an hour of readings under a daemon's keeper, and the OPC UA server beside it."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from asyncua.crypto.cert_gen import dump_private_key_as_pem, generate_private_key, generate_self_signed_app_certificate
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import ExtendedKeyUsageOID
from services import free_port
from store.samples import START, event

from monitor.config import load
from monitor.daemon.keeper import Keeper
from monitor.model import NS, Minute, Quality, Rows
from monitor.settings import Settings
from monitor.store import Batch, Store
from tests.commands import helpers

OPERATOR, LOOKER = ("Ada Brook", "river-Pass-7"), ("display", "river-Look-7")
CONFIG = """
[store]
path = "s.db"
[opcua]
port = {port}
trusted = "clients"
[[opcua.user]]
name = "Ada Brook"
role = "act"
password_file = "ada"
[[opcua.user]]
name = "display"
role = "look"
password_file = "display"
[[opcua.user]]
name = "desk"
role = "act"
cert_file = "desk.pem"
"""
T0 = datetime(2026, 1, 1, tzinfo=UTC)


class Plant:
    """A store with an hour of readings, a daemon's keeper over it, and the server."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        (folder / "ada").write_text(OPERATOR[1])
        (folder / "display").write_text(LOOKER[1])
        (folder / "clients").mkdir()
        for name in ("client", "stranger", "desk"):
            make_certificate(folder, name)
        (folder / "clients/client.pem").write_bytes((folder / "client.pem").read_bytes())
        self.config = helpers.skid(folder, CONFIG.format(port=self.port))
        self.settings: Settings = load(self.config)
        self.folder = folder
        self.now = START + 3_600 * NS
        self.store = Store.open(self.settings.store.path, now=lambda: self.now)
        self.store.configure(self.settings.skids)
        self.keeper = Keeper(self.settings, self.store, lambda: self.now, lambda skid: self.now)
        self.fill()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._act)

    def fill(self) -> None:
        """Three signals each second, and one of them, from half an hour on, each half second."""
        half = np.concatenate([np.repeat(np.arange(0, 7_200, 2), 3), np.arange(3_601, 7_200, 2)])
        place = np.concatenate([np.tile(np.arange(3, dtype=np.int16), 3_600), np.zeros(1_800, np.int16)])
        order = np.lexsort((place, half))
        half, place = half[order], place[order]
        value = np.round(np.random.default_rng(3).normal(3.0, 0.2, half.size), 3)
        quality = np.where((half == 3_600) & (place == 0), int(Quality.BAD), 0).astype(np.uint8)
        quality[(half == 7_198) & (place == 1)] = int(Quality.UNCERTAIN)
        rows = Rows(START + half * (NS // 2), place, value, quality)
        minutes = [("intake-1", Minute(START + n * 60 * NS, 3e5, 2e5, 1e5 + n, 0.01, 288.15, 0.9e5 + n, n < 58))
                   for n in range(59)]
        batch = Batch(rows=[("intake-1", rows, np.ones(rows.size, bool))], minutes=minutes,
                      events=[event(3_000, message="dP nears the limit")],
                      forecasts=[(START + 3_500 * NS, "intake-1", 2.0, 3.0, 4.5)])
        self.keeper.fill(batch)
        self.store.commit(batch)

    def _act(self) -> None:
        """As the daemon's rounds do."""
        while not self._stop.wait(0.05):
            batch = Batch()
            self.keeper.fill(batch)
            if batch:
                self.store.commit(batch)

    def __enter__(self) -> Plant:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        self.store.close()

    @property
    def url(self) -> str:
        return f"opc.tcp://127.0.0.1:{self.port}/"


@contextmanager
def serving(folder: Path) -> Iterator[Plant]:
    """The plant, and the server beside it in a process of its own."""
    with Plant(folder) as made:
        words = ("opcua", "--config", made.config.name)
        with helpers.Running(*words, cwd=folder, name="opcua") as server:
            server.says("OPC UA at")
            yield made
            done = server.stop()
            assert done.code == 0 and "Traceback" not in done.err + done.out, done


def make_certificate(folder: Path, name: str) -> None:
    key = generate_private_key()
    made = generate_self_signed_app_certificate(key, "client", {}, [x509.UniformResourceIdentifier("urn:test:client")],
                                                [ExtendedKeyUsageOID.CLIENT_AUTH])
    (folder / f"{name}-key.pem").write_bytes(dump_private_key_as_pem(key))
    (folder / f"{name}.pem").write_bytes(made.public_bytes(Encoding.PEM))
