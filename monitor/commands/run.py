"""`bagwright run`: the daemon on the real clock."""

from __future__ import annotations

import contextlib
import os
import signal
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.commands.common import load_engine, load_settings, say, warn
from monitor.config.wording import NO_BROKER
from monitor.errors import RunError
from monitor.settings import Settings

if TYPE_CHECKING:
    from monitor.daemon.clock import Clock
    from monitor.daemon.heart import Heart
    from monitor.daemon.ports import DaemonStore
    from monitor.daemon.renewal import Renewal
    from monitor.store import Store

LISTED = 8      # skids that the opening names


def run_daemon(config: Path, *, page: bool) -> None:
    settings = load_settings(config)
    if page:
        require_port(settings)
    load_engine()
    from monitor.commands.page_process import PageProcess
    from monitor.daemon.clock import wall
    from monitor.daemon.renewal import Renewal

    stop, renewal = threading.Event(), Renewal(lambda: load_settings(config), settings)
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    signal.signal(signal.SIGHUP, lambda *_: renewal.ask())
    for line in opening(settings, page=page):
        say(line)
    with contextlib.ExitStack() as stack:
        beside = [stack.enter_context(PageProcess(config, warn))] if page else []
        if settings.opcua is not None:
            beside.append(stack.enter_context(PageProcess(config, warn, "opcua", "OPC UA server")))

        def renewed() -> None:
            for process in beside:
                process.renew()

        watch(settings, wall, stop, renewal=renewal, renewed=renewed)
    say(f"stopped; the state is in {settings.store.path}")


def require_port(settings: Settings) -> None:
    """Raises RunError where the page's port is taken: better now than unseen later."""
    from monitor.web.server import listen

    try:
        listen(settings.web.host, settings.web.port).close()
    except RunError as error:
        raise RunError(f"{error}; or leave the page out with --no-page") from None


def opening(settings: Settings, *, page: bool) -> Iterator[str]:
    """What is watched, and where everything is. No secret is in it."""
    names = [f"{s.id} ({s.name})" for s in settings.skids]
    more = f" and {len(names) - LISTED} more" if len(names) > LISTED else ""
    yield f"watching  {', '.join(names[:LISTED])}{more}"
    broker = settings.broker
    if broker is None:
        yield f"broker    {NO_BROKER}"
    else:
        more = (", TLS" if broker.tls else "") + (f", user {broker.username}" if broker.username else "")
        yield f"broker    {broker.host}:{broker.port}{more}, client id {broker.client_id}"
    yield f"store     {settings.store.path}"
    if settings.opcua is not None:
        yield f"opc ua    opc.tcp://{settings.opcua.host}:{settings.opcua.port}/"
    yield "page      " + (f"{settings.web.url}/" if page else "none")


def watch(settings: Settings, clock: Clock, stop: threading.Event, tell: Callable[[str], None] = say,
          trouble: Callable[[str], None] = warn, renewal: Renewal | None = None,
          renewed: Callable[[], object] = lambda: None) -> None:
    """Run the daemon until `stop`: store, engine, sources. tell: where news go, trouble: what goes wrong. renewal:
    where other settings come from while it runs; renewed: called after they have been taken."""
    from monitor.daemon.heart import Heart
    from monitor.daemon.insist import insist
    from monitor.daemon.renewal import Renewal
    from monitor.daemon.systemd import Notify
    from monitor.store import Store

    def open_store() -> Store:
        return Store.open(settings.store.path, now=clock, quarantine_rows=settings.store.quarantine_rows)

    renewal = renewal or Renewal(lambda: settings, settings)
    with (
        Heart(Notify(os.environ)) as heart,
        insist(open_store, stop, trouble, "the daemon starts when it can be written") as store,
    ):
        serve_on(renewal, store, clock, stop, tell, trouble, heart, renewed)


def serve_on(renewal: Renewal, store: DaemonStore, clock: Clock, stop: threading.Event, tell: Callable[[str], None],
             trouble: Callable[[str], None], heart: Heart, renewed: Callable[[], object] = lambda: None) -> None:
    """Run the daemon until `stop`, from one settings to the next."""
    former: list[str] = []
    while True:
        former = serve(renewal, store, clock, stop, tell, trouble, heart, former)
        if renewal.next is None or stop.is_set():
            return
        renewal.take()
        renewed()


def serve(renewal: Renewal, store: DaemonStore, clock: Clock, stop: threading.Event, tell: Callable[[str], None],
          trouble: Callable[[str], None], heart: Heart, former: list[str]) -> list[str]:
    """Run the daemon with the settings in force, until `stop` or until there are others. former: topics of the settings
    before. Returns its topics."""
    from monitor.daemon.announce import Announcer, Unannounced, link_listener
    from monitor.daemon.loop import Daemon
    from monitor.daemon.outbox import Outbox
    from monitor.ingest.mqtt import MqttSource
    from monitor.ingest.no_broker import NoBroker
    from monitor.ingest.sources import Sources
    from monitor.notify.mqtt import will

    settings, connected = renewal.settings, threading.Event()
    broker = settings.broker
    with Outbox(settings, store, clock, trouble, limit_bytes=settings.store.outbox_limit) as outbox:
        daemon = Daemon(settings, store, clock, trouble, outbox.wake, stop, heart, renewal)
        again = daemon.resume()
        if again:
            tell(f"resumed: {again:,} stored readings run again")
        if broker is None:
            with Sources(NoBroker(clock), settings, clock, tell, trouble) as source:
                heart.unheard()
                heart.ready()
                daemon.run(source, Unannounced())
            return []
        mqtt = MqttSource(
            broker,
            daemon.topics,
            now=clock,
            on_state=link_listener(connected, tell, trouble),
            will=will(broker.prefix, clock()),
            former=former,
            why_not=store.why_silent,
        )
        with Sources(mqtt, settings, clock, tell, trouble) as source:
            announcer = Announcer(mqtt, broker.prefix, clock, connected, store)
            heart.beat, heart.trouble = announcer.beat, announcer.trouble
            heart.ready()
            daemon.run(source, announcer)
    return daemon.topics
