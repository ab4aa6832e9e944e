"""What may be fed any bytes: each target takes them and raises where it meets anything but a refusal in words.

Here hypothesis feeds them for a moment; `tests/bench/fuzzing.py` for hours, guided by what the code runs through.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path

from daemon.test_keeper import Desk
from ingest.helpers import read, signal, skid
from skids import duplex

from monitor.config import describe, load, warnings
from monitor.errors import ConfigError, InputError
from monitor.ingest.decode import Decoded, Decoder
from monitor.ingest.mqtt import Message
from monitor.model import Role
from monitor.settings import CommandSettings, Settings
from monitor.skid import Payload
from monitor.store import Batch

CORPUS = Path(__file__).with_name("corpus")
ARRIVAL = 1_767_225_600_000_000_000
TOKEN_LESS = CommandSettings(mqtt="trusted")


@cache
def folder() -> Path:
    return Path(tempfile.mkdtemp(prefix="bagwright-fuzz-"))


@cache
def decoders() -> tuple[Decoder, ...]:
    nested = Payload(value_field="data.value", time_field="data.at", quality_field="data.state")
    formats = (Payload(), nested, Payload(format="number"), Payload(format="json", time_format="ms"),
               Payload(format="milliamp"))  # fmt: skip
    made = [Decoder(signal("PT-101", payload=payload)) for payload in formats]
    return (*made, Decoder(signal("LS-1", Role.LEAK_SENSOR, unit="1", high=1.0)))


def payload(data: bytes) -> None:
    for decoder in decoders():
        reading = decoder.decode(data, ARRIVAL)
        if isinstance(reading, Decoded):
            assert math.isfinite(reading.value) or int(reading.quality), reading
            assert reading.time is None or reading.time <= ARRIVAL + 300 * 10**9, reading
        else:
            assert reading.note, reading


def configuration(data: bytes) -> None:
    path = folder() / "skid.toml"
    path.write_bytes(data)
    try:
        settings = load(path, {"BAGWRIGHT": "a-secret-of-some-length"})
    except ConfigError as error:
        told = str(error)
    else:
        told = describe(settings)
        warnings(settings)
    assert told


def recording(data: bytes) -> None:
    path = folder() / "recording"
    path.write_bytes(data)
    try:
        found = read(path, skid(), timezone="Europe/Oslo")
    except InputError as error:
        told = str(error)
    else:
        told = f"{path}: {found.rows.size} rows"
        assert found.rows.size == 0 or (found.rows.signal >= 0).all()
    assert str(path) in told


@cache
def desk() -> Desk:
    return Desk(folder(), Settings((duplex(),), command=TOKEN_LESS))


def command(data: bytes) -> None:
    """Trusted, so that every action is reached; each message gets an answer, whatever it says."""
    batch = Batch()
    message = Message("p/command", data, False, desk().clock.now, 1, 1, 1)
    desk().keeper.fill(batch, ask=lambda: desk().commands.take([message], batch))
    assert len(batch.told) == 1 and batch.told[0].body["answer"]
    desk().store.commit(batch)


TARGETS: dict[str, Callable[[bytes], None]] = {
    "payload": payload, "configuration": configuration, "recording": recording, "command": command,
}  # fmt: skip
