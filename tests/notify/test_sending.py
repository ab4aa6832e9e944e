"""Channels with their threads against receivers that misbehave."""

from __future__ import annotations

import threading
import time
from collections import Counter, defaultdict
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import standardwebhooks
from notify.river import SECRET, Fast, commit, opened, settings
from notify.servers import RESET, SILENCE, Answer, Asked, HttpServer, moody
from services import eventually
from store.samples import START, Clock, event

from monitor.daemon import outbox as threads
from monitor.daemon.notices import INFLUX, INFLUX_EVENTS, Notices
from monitor.daemon.outbox import STOP_S, Outbox
from monitor.daemon.senders import Patience, WebhookSender
from monitor.errors import InputError
from monitor.model import NS, Event
from monitor.notify.webhook import Webhook, channel_name, header_id
from monitor.settings import Secret, Settings, WebhookSettings
from monitor.store import Batch, Store


@pytest.fixture(autouse=True)
def _quick_look_at_the_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """The tests' clocks are faster than life."""
    monkeypatch.setattr(threads, "POLL_S", 0.01)


def tell(config: Settings, store: Store, events: list[Event], clock: Callable[[], int] = lambda: START) -> None:
    """Commits each event with what it queues."""
    notices = Notices(config, store, clock)
    for one in events:
        batch = Batch(events=[one])
        notices.fill(batch)
        store.commit(batch)


def told(store: Store, url: str) -> dict[str, Any]:
    return dict(store.status()["outbox"][channel_name(url)])


def order(asked: list[Asked]) -> list[str]:
    """Ids in the order in which they were first seen."""
    return list(dict.fromkeys(a.headers["webhook-id"] for a in asked))


def test_every_event_reaches_a_receiver_that_fails_at_random_under_one_key_and_signed(tmp_path: Path) -> None:
    clock, events = Fast(2_000.0), [event(60 * i) for i in range(60)]
    taken: list[Asked] = []
    mood = moody(3)

    def receive(asked: Asked) -> Answer:
        answer = mood(asked)
        standardwebhooks.Webhook(SECRET).verify(asked.body, dict(asked.headers))    # raises: no answer, a failure
        if answer.status == 204:
            taken.append(asked)
        return answer

    with HttpServer(receive) as server:
        config = settings(tmp_path, hooks=(server.url,))
        with opened(config, clock) as store:
            tell(config, store, events, clock)
            with Outbox(config, store, clock, lambda sentence: None):
                eventually(lambda: told(store, server.url)["queued"] == 0, 20, "all delivered")
            assert told(store, server.url)["sent"] == 60 and told(store, server.url)["refused"] == 0
    keys = defaultdict(set)
    for asked in server.asked:
        keys[asked.body].add(asked.headers["webhook-id"])
    assert len(server.asked) > 90                               # it did fail on the way
    assert [len(k) for k in keys.values()] == [1] * 60          # never under two keys
    assert {a.headers["webhook-id"] for a in taken} == {header_id(e.id) for e in events}
    assert Counter(a.headers["webhook-id"] for a in taken).total() == 60


def test_events_arrive_in_order_where_the_receiver_lets_them(tmp_path: Path) -> None:
    clock, events = Fast(2_000.0), [event(60 * i) for i in range(20)]
    down = [True]
    with HttpServer(lambda _: Answer(503) if down[0] else Answer()) as server:
        config = settings(tmp_path, hooks=(server.url,))
        with opened(config, clock) as store:
            tell(config, store, events[:10], clock)
            with Outbox(config, store, clock, lambda sentence: None) as outbox:
                eventually(lambda: len(server.asked) >= 3)
                tell(config, store, events[10:], clock)
                outbox.wake()
                down[0] = False
                eventually(lambda: told(store, server.url)["queued"] == 0)
        assert order(server.asked) == [header_id(e.id) for e in events]
        assert {a.headers["webhook-id"] for a in server.asked[:3]} == {header_id(events[0].id)}


def test_an_event_that_always_fails_is_stepped_over_and_the_others_arrive(tmp_path: Path) -> None:
    clock, events = Fast(2_000.0), [event(60 * i) for i in range(5)]
    poison = header_id(events[0].id)
    with HttpServer(lambda a: Answer(500 if a.headers["webhook-id"] == poison else 204)) as server:
        config = settings(tmp_path, hooks=(server.url,))
        with opened(config, clock) as store:
            tell(config, store, events, clock)
            with Outbox(config, store, clock, lambda sentence: None):
                eventually(lambda: told(store, server.url)["sent"] == 4)
            assert (told(store, server.url)["queued"], told(store, server.url)["refused"]) == (1, 0)


def test_a_refused_event_is_kept_with_its_reason_and_the_others_arrive(tmp_path: Path) -> None:
    events = [event(60 * i) for i in range(5)]
    gone = header_id(events[2].id)
    no = Answer(410, body=b"no longer here")
    with HttpServer(lambda a: no if a.headers["webhook-id"] == gone else Answer()) as server:
        config = settings(tmp_path, hooks=(server.url,))
        with opened(config, Fast(1.0)) as store:
            tell(config, store, events)
            with Outbox(config, store, Fast(1.0), lambda sentence: None):
                eventually(lambda: told(store, server.url)["queued"] == 0)
            assert (told(store, server.url)["sent"], told(store, server.url)["refused"]) == (4, 1)
            assert told(store, server.url)["last_error"].endswith("answers 410 Gone: no longer here")
            assert len(server.asked) == 5


def sender(store: Store, url: str, clock: Clock, said: list[str]) -> WebhookSender:
    name = channel_name(url)
    return WebhookSender(name, Webhook(WebhookSettings(url, Secret(SECRET))), store,
                         Patience(name, clock, said.append, "seed"), clock, lambda: False)


def test_a_receivers_wish_is_honoured_and_outlives_a_restart(tmp_path: Path) -> None:
    clock, said = Clock(), list[str]()
    with HttpServer(lambda _: Answer(429, {"retry-after": "120"})) as server:
        config = settings(tmp_path, hooks=(server.url,))
        with opened(config, clock) as store:   # type: ignore[arg-type]
            tell(config, store, [event(0), event(1)])
            one = sender(store, server.url, clock, said)
            assert one.turn() == START + 120 * NS
            one.close()
        clock.now += 119 * NS
        with opened(config, clock) as store, Outbox(config, store, clock, said.append):   # type: ignore[arg-type]
            time.sleep(0.5)
            assert len(server.asked) == 1       # a restart does not ask early
            clock.now += 2 * NS
            eventually(lambda: len(server.asked) == 2)
    assert len([s for s in said if "answers 429" in s]) == 2    # once a run


def test_the_waits_of_a_dead_receiver_grow_to_minutes_and_two_requests_each_is_all_it_gets(tmp_path: Path) -> None:
    """Back-off of the outbox: 5 s doubling to 15 min, of that one half to all."""
    clock, said = Clock(), list[str]()
    with HttpServer(lambda _: RESET) as server:
        config = settings(tmp_path, hooks=(server.url,))
        with opened(config, clock) as store:   # type: ignore[arg-type]
            tell(config, store, [event(i) for i in range(50)])
            one = sender(store, server.url, clock, said)
            waits = []
            for _ in range(20):
                until = one.turn()
                assert until is not None
                waits.append((until - clock.now) / NS)
                clock.now = until
            one.close()
        assert waits[0] <= 5 and waits[1] <= 10 and all(w <= 900 for w in waits) and max(waits) > 60
        assert all(w >= 450 for w in waits[9:]) and len(server.asked) <= 40
    assert len(said) == 1


def test_a_hanging_channel_neither_delays_another_nor_the_end(tmp_path: Path) -> None:
    events = [event(60 * i) for i in range(10)]
    with HttpServer(lambda _: SILENCE) as hung, HttpServer() as quick, HttpServer(lambda _: SILENCE) as database:
        config = settings(tmp_path, influx=database.url, hooks=(hung.url, quick.url))
        with opened(config, Fast(1.0)) as store:
            tell(config, store, events)
            began = time.monotonic()
            with Outbox(config, store, Fast(1.0), lambda sentence: None):
                eventually(lambda: told(store, quick.url)["queued"] == 0, 5)
                eventually(lambda: hung.asked and database.asked, 5)
                ending = time.monotonic()
                assert ending - began < 4
            assert time.monotonic() - ending < STOP_S + 0.5
            assert told(store, hung.url)["queued"] == 10 and told(store, quick.url)["sent"] == 10
        assert len(hung.asked) == 1


def test_a_channels_trouble_is_said_once_and_its_end_too(tmp_path: Path) -> None:
    clock, said, down = Fast(2_000.0), list[str](), [True]
    with HttpServer(lambda _: Answer(503) if down[0] else Answer()) as server:
        config = settings(tmp_path, influx=server.url)
        with opened(config, clock) as store:
            tell(config, store, [event(0)], clock)
            with Outbox(config, store, clock, said.append):
                eventually(lambda: len(server.asked) > 3)
                down[0] = False
                eventually(lambda: len(said) == 2)
    assert "answers 503" in said[0] and "what waits is kept" in said[0] and said[1] == "influx-events: works again"


def test_readings_beyond_the_bound_are_given_up_oldest_first_events_never(tmp_path: Path) -> None:
    clock, said = Fast(1.0), list[str]()
    config = settings(tmp_path, influx="http://127.0.0.1:9")
    with opened(config, clock) as store:
        notices = Notices(config, store, clock)
        for n in range(60):
            commit(store, notices, n)
        with Outbox(config, store, clock, said.append, limit_bytes=20_000):
            eventually(lambda: store.status()["outbox"][INFLUX]["dropped"] > 0)
        kept = sum(n.body["points"] for n in store.due(INFLUX, clock() + 3_600 * NS, 1_000))
        outbox = store.status()["outbox"]
        assert kept + outbox[INFLUX]["dropped"] == 60 * 181 and 0 < kept < 60 * 181 / 2
        events = sum(n.body["points"] for n in store.due(INFLUX_EVENTS, clock() + 3_600 * NS, 1_000))
        assert (events, outbox[INFLUX_EVENTS]["dropped"]) == (60, 0)
        assert store.status()["readings"]["recent"] == 60 * 180
        assert any("given up for want of space; the store has the readings" in s for s in said)


def test_an_unusable_secret_is_told_before_anything_runs(tmp_path: Path) -> None:
    config = settings(tmp_path, hooks=("http://127.0.0.1:9/x",))
    bad = WebhookSettings("http://127.0.0.1:9/x", Secret("short"))
    with opened(config, Fast(1.0)) as store, pytest.raises(InputError, match="24 to 64 random bytes"):
        Outbox(config.__class__(config.skids, notify=config.notify.__class__((bad,))), store, Fast(1.0), print)


def test_what_waits_for_a_receiver_that_was_taken_out_is_said(tmp_path: Path) -> None:
    said = list[str]()
    config = settings(tmp_path, hooks=("http://127.0.0.1:9/x",))
    with opened(config, Fast(1.0)) as store:
        tell(config, store, [event(0)])
        with Outbox(settings(tmp_path), store, Fast(1.0), said.append):
            assert said == [f"1 notices wait for {channel_name('http://127.0.0.1:9/x')}, which is no longer configured"]


def test_no_thread_outlives_the_outbox(tmp_path: Path) -> None:
    before = set(threading.enumerate())
    config = settings(tmp_path, influx="http://127.0.0.1:9", hooks=("http://127.0.0.1:9/x",))
    with opened(config, Fast(1.0)) as store, Outbox(config, store, Fast(1.0), print):
        assert len(set(threading.enumerate()) - before) == 3
    assert set(threading.enumerate()) <= before
