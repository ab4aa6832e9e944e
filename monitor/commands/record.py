"""`bagwright record`: live messages to a file, as they come."""

from __future__ import annotations

import signal
import threading
import time
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from monitor.commands.common import load_settings, say, warn
from monitor.commands.wording import span
from monitor.settings import Settings

LISTED = 12     # signals that a warning lists


def run_record(config: Path, out: Path, *, seconds: float | None) -> None:
    """Until interrupted or `seconds` have passed. A session of its own: a daemon beside it loses nothing."""
    from monitor.daemon.announce import link_listener
    from monitor.daemon.clock import wall
    from monitor.ingest.mqtt import MqttSource
    from monitor.ingest.no_broker import NoBroker
    from monitor.ingest.recording import CaptureWriter
    from monitor.ingest.sources import Sources, topics_of

    settings = load_settings(config)
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    deadline = None if seconds is None else time.monotonic() + seconds
    counts: Counter[str] = Counter()
    mqtt: MqttSource | NoBroker = NoBroker(wall)
    if settings.broker is not None:
        broker = replace(settings.broker, client_id=f"{settings.broker.client_id}-record", session_expiry_s=0)
        mqtt = MqttSource(broker, topics_of(settings), now=wall, on_state=link_listener(threading.Event(), say, warn))
    source = Sources(mqtt, settings, wall, say, warn)
    grew = out.exists() and out.stat().st_size > 0
    with CaptureWriter(out) as writer, source:
        warn(f"recording to {out} until Ctrl-C" + ("" if seconds is None else f", at most {span(seconds)}"))
        while not stop.is_set() and (deadline is None or time.monotonic() < deadline):
            messages = source.take(1000, 0.25)
            for m in messages:
                writer.write(m.arrival, m.topic, m.payload, retain=m.retain)
            writer.flush()
            source.ack(messages)
            counts.update(m.topic for m in messages)
    tell(out, counts, settings, grew=grew)


def tell(out: Path, counts: Mapping[str, int], settings: Settings, *, grew: bool) -> None:
    """What came, and what did not: a topic that is misspelt would be missed weeks later."""
    count = sum(counts.values())
    say(f"{out}: {count:,} message{'' if count == 1 else 's'} {'added' if grew else 'written'}")
    signals = [signal for skid in settings.skids for signal in skid.signals]
    if silent := [f"{signal.id} ({signal.topic})" for signal in signals if signal.topic not in counts]:
        more = f" and {len(silent) - LISTED} more" if len(silent) > LISTED else ""
        warn(f"warning: nothing came of {', '.join(silent[:LISTED])}{more}")
