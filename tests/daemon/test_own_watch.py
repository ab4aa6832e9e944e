"""Watching the watcher: heartbeat, the service manager's watchdog, alarms for the monitor's own faults.

Protocol: sd_notify(3) and systemd.service(5), "WatchdogSec=": a datagram of NAME=VALUE lines to $NOTIFY_SOCKET, with
WATCHDOG=1 at least every $WATCHDOG_USEC.
"""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from services import eventually

from monitor.daemon.clock import FastClock
from monitor.daemon.heart import Heart
from monitor.daemon.own_faults import OwnFaults
from monitor.daemon.systemd import Notify
from monitor.model import NS

DEAD = {"queued": 3, "sent_at": 1, "failed_at": 2, "oldest_queued": 0, "last_error": "answers 503"}


class Manager:
    """A service manager's end: a real datagram socket."""

    def __init__(self, address: str) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(address)
        self.socket.setblocking(False)
        self.heard: list[dict[str, str]] = []

    def names(self) -> list[str]:
        """Every NAME=VALUE so far."""
        try:
            while True:
                lines = self.socket.recv(4096).decode().split("\n")
                self.heard.append(dict(line.split("=", 1) for line in lines))
        except BlockingIOError:
            return [f"{k}={v}" for told in self.heard for k, v in told.items()]


@contextmanager
def manager(address: str) -> Iterator[Manager]:
    made = Manager(address)
    try:
        yield made
    finally:
        made.socket.close()


@pytest.mark.parametrize("kind", ["path", "abstract"])
def test_the_service_manager_hears_when_we_are_ready_alive_and_stopping(tmp_path: Path, kind: str) -> None:
    name = str(tmp_path / "notify")
    bound, told = (name, name) if kind == "path" else ("\0bagwright-" + tmp_path.name, "@bagwright-" + tmp_path.name)
    with manager(bound) as systemd:
        with Heart(Notify({"NOTIFY_SOCKET": told, "WATCHDOG_USEC": "600000"})) as heart:
            heart.ready()
            began = time.monotonic()
            while time.monotonic() - began < 1.5:
                heart.alive()
                time.sleep(0.05)
        names = systemd.names()
    assert names[0] == "READY=1" and "STOPPING=1" in names
    assert names.count("WATCHDOG=1") >= 3


def test_a_loop_that_hangs_starves_the_watchdog_and_the_heartbeat(tmp_path: Path) -> None:
    beats: list[Any] = []
    with manager(str(tmp_path / "n")) as systemd:
        environ = {"NOTIFY_SOCKET": str(tmp_path / "n"), "WATCHDOG_USEC": "300000"}
        with Heart(Notify(environ), beat_s=0.1, stuck_s=0.3) as heart:
            heart.beat = beats.append
            time.sleep(0.8)         # no sign of the loop
            heard, count = systemd.names().count("WATCHDOG=1"), len(beats)
            time.sleep(0.6)
            assert heart.stuck and systemd.names().count("WATCHDOG=1") == heard and len(beats) == count
            heart.alive({"newest_s": 1.0})
            eventually(lambda: len(beats) > count, 2)
            assert beats[-1] == {"newest_s": 1.0, "waits_for": None}


def test_waiting_for_the_store_is_no_hanging_and_is_told_once(tmp_path: Path) -> None:
    troubles: list[str | None] = []
    with manager(str(tmp_path / "n")) as systemd:
        environ = {"NOTIFY_SOCKET": str(tmp_path / "n"), "WATCHDOG_USEC": "200000"}
        with Heart(Notify(environ), stuck_s=0.2, long_s=0.3) as heart:
            heart.trouble = troubles.append
            with heart.waiting("the store"):
                time.sleep(0.1)
            assert troubles == []
            with heart.waiting("the store"):
                eventually(lambda: troubles == ["the store"], 2)
                fed = systemd.names().count("WATCHDOG=1")
                eventually(lambda: systemd.names().count("WATCHDOG=1") > fed, 2)
            eventually(lambda: troubles == ["the store", None], 2)
            assert "STATUS=the store" in systemd.names()


def test_without_a_service_manager_nothing_is_told_and_nothing_fails(tmp_path: Path) -> None:
    Notify({}).tell(ready="1")
    Notify({"NOTIFY_SOCKET": str(tmp_path / "nobody")}).tell(ready="1")
    assert Notify({"WATCHDOG_USEC": "0"}).watchdog_s is None


class Times:
    """The wall clock and one that nobody can change."""

    def __init__(self) -> None:
        self.wall, self.real = 1_000 * NS, 0.0

    def go(self, seconds: float, jump: float = 0.0) -> None:
        self.real += seconds
        self.wall += round((seconds + jump) * NS)


def watch(times: Times, outbox: dict[str, Any] | None = None) -> OwnFaults:
    return OwnFaults(lambda: times.wall, lambda: outbox or {}, lambda: times.real)


def told(faults: OwnFaults, *, waiting_since: int | None = None, connected: bool = True) -> list[tuple[str, str]]:
    events = faults.events(waiting_since=waiting_since, connected=connected)
    return [(str(e.detail), str(e.transition)) for e in events]


def test_readings_that_wait_are_an_alarm_until_they_no_longer_do() -> None:
    times = Times()
    faults = watch(times)
    assert told(faults, waiting_since=times.wall - 29 * NS) == []
    assert told(faults, waiting_since=times.wall - 31 * NS) == [("lag", "raised")]
    assert told(faults, waiting_since=times.wall - 10 * NS) == []
    assert told(faults, waiting_since=times.wall - 1 * NS) == [("lag", "cleared")]


def test_a_lost_broker_is_an_alarm_after_a_moment() -> None:
    times = Times()
    faults = watch(times)
    for seconds, expected in ((0, []), (14, []), (2, [("broker-lost", "raised")]), (60, [])):
        times.go(seconds)
        assert told(faults, connected=False) == expected
    assert told(faults) == [("broker-lost", "cleared")]


def test_a_clock_that_is_changed_is_an_alarm_for_a_minute() -> None:
    times = Times()
    faults = watch(times)
    times.go(1, jump=-3_600)
    assert told(faults) == [("clock-jump", "raised")]
    times.go(59)
    assert told(faults) == []
    times.go(2)
    assert told(faults) == [("clock-jump", "cleared")]


def test_a_clock_faster_than_life_is_no_jump_and_no_lag() -> None:
    clock = FastClock(0, 600.0)
    faults = OwnFaults(clock, dict)
    time.sleep(0.05)
    assert told(faults, waiting_since=clock() - 120 * NS) == []


def test_a_channel_that_fails_for_long_is_an_alarm_of_its_own() -> None:
    times, outbox = Times(), {"service duty": dict(DEAD), "mqtt": dict(DEAD)}
    faults = watch(times, outbox)
    assert told(faults) == [("channel-dead", "raised")]
    outbox["service duty"] |= {"sent_at": 3, "oldest_queued": None}
    times.go(30)
    assert told(faults) == [("channel-dead", "cleared")]


def test_an_absence_is_an_alarm_until_what_waited_is_taken_in() -> None:
    times = Times()
    faults = watch(times)
    assert faults.was_off(times.wall - 59 * NS) == []
    (raised,) = faults.was_off(times.wall - 900 * NS)
    assert (raised.detail, raised.transition) == ("off", "raised") and "was not running" in raised.message
    assert faults.events(waiting_since=None, connected=True, caught_up=False) == []
    assert told(faults) == [("off", "cleared")]


def test_a_store_that_could_not_be_written_is_told_when_it_can() -> None:
    times = Times()
    faults = watch(times)
    since = times.wall
    times.go(10)
    faults.store_waited(since)
    assert told(faults) == []
    times.go(10)
    faults.store_waited(since)
    assert told(faults) == [("store-unwritable", "raised"), ("store-unwritable", "cleared")]


def test_a_fault_from_before_a_restart_is_over_when_it_is_no_longer_found() -> None:
    times = Times()
    faults = watch(times)
    faults.restore([("channel-dead", "service duty")], times.wall + 5 * NS)
    events = faults.events(waiting_since=None, connected=True)
    assert [(e.signal, str(e.transition), e.time) for e in events] == [
        ("service duty", "cleared", times.wall + 5 * NS)], "time does not go back with the clock"
