"""`bagwright fleet`."""

from __future__ import annotations

import contextlib
import json
import signal
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.alarms.catalogue import of_monitor
from monitor.commands.common import load_settings, say
from monitor.commands.stored import connection_of, fleet_database, open_stored
from monitor.errors import InputError
from monitor.model import NS

if TYPE_CHECKING:
    from monitor.fleet.view import ShardState

LOOK_S = 2.0
PATIENCE_S = 10.0
LATE_S = 20.0       # without a sign of a shard's holder


def run_fleet(config: Path, cluster: str) -> None:
    from monitor.cluster import joined
    from monitor.fleet.actor import NAMESPACE
    from monitor.fleet.database import url_of
    from monitor.fleet.keeping import Keeping

    settings = load_settings(config)
    url = url_of(settings)
    with fleet_database(settings):
        pass        # its tables are there, and of this number of shards
    stop = threading.Event()
    with joined(cluster, NAMESPACE) as ray:
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: stop.set())
        keeping = Keeping(ray, settings, url, say)
        say(f"watching  {len(settings.skids)} skids in {settings.fleet.shards} shards on {cluster}")
        while not stop.is_set():
            keeping.step()
            stop.wait(LOOK_S)
    say("stopped; the shards go on: `bagwright fleet stop` ends them")


def stop_fleet(config: Path, cluster: str) -> None:
    from monitor.cluster import joined
    from monitor.fleet.actor import NAMESPACE
    from monitor.fleet.database import url_of
    from monitor.fleet.keeping import Keeping

    settings = load_settings(config)
    with joined(cluster, NAMESPACE) as ray:
        Keeping(ray, settings, url_of(settings), say).stop()
    say("every shard has ended")


def show_status(config: Path, *, as_json: bool) -> None:
    from monitor.fleet.view import shard_states

    settings = load_settings(config)
    with fleet_database(settings) as database:
        states = shard_states(database)
    if as_json:
        say(json.dumps([state._asdict() for state in states], indent=1))
        return
    now = time.time_ns()
    for state in states:
        say(_line(state, now))
    if not states:
        say("no shard has run yet")


def _line(state: ShardState, now: int) -> str:
    from monitor.commands.wording import ago, number

    newest = "nothing heard" if state.newest is None else f"newest reading {ago((now - state.newest) / NS)}"
    if state.holder is None or state.beat_s is None:
        held = "nobody has it"
    else:
        silent = f", SILENT for {state.beat_s:.0f} s" if state.beat_s > LATE_S else ""
        held = f"{state.holder}, epoch {state.epoch}{silent}"
    refused = f", {number(state.refused)} refused" if state.refused else ""
    return (f"shard {state.shard:<4} {number(state.skids)} skids  {newest}  {number(state.queued)} to send{refused}  "
            f"{held}")


def run_page(config: Path, *, port: int | None) -> None:
    """The page of a single daemon, over the database of all shards."""
    from monitor.commands.page import case_book
    from monitor.fleet.view import ask
    from monitor.web.server import serve

    settings = load_settings(config)
    with contextlib.closing(connection_of(settings)) as database:
        serve(lambda: open_stored(settings), settings, port=port,
              submit=lambda skid, act, body: ask(database, settings.fleet.shards, skid, act, body, time.time_ns()),
              cases=case_book(settings.web), ready=lambda address: say(f"page at {address}"))


def show_alarms(config: Path, *, as_json: bool) -> None:
    from monitor.commands.status import alarm_lines, standing
    from monitor.fleet.view import alarm_states

    settings = load_settings(config)
    with fleet_database(settings) as database:
        found = standing(alarm_states(database))
    if as_json:
        say(json.dumps(found, indent=1, default=str))
        return
    for line in alarm_lines(found, time.time_ns()):
        say(line)


def act_on_fleet(config: Path, verb: str, target: str, *, who: str | None, why: str) -> None:
    from monitor.commands.act import asked, tell
    from monitor.fleet.view import answer, ask

    settings = load_settings(config)
    skid = target.partition("/")[0]
    if not of_monitor(skid) and skid not in {s.id for s in settings.skids}:
        raise InputError(f"{target}: no skid {skid} is configured; accepted: an alarm as `bagwright fleet alarms` "
                         "names it, SKID/KIND or SKID/KIND/WHERE")
    body = asked(target, who=who, why=why)
    with fleet_database(settings) as database:
        number = ask(database, settings.fleet.shards, skid, verb, body, time.time_ns())
        end = time.monotonic() + PATIENCE_S
        while (text := answer(database, number)) is None and time.monotonic() < end:
            time.sleep(0.2)
    tell(text, f"asked ({number}): its shard has not answered yet; it does when it runs")
