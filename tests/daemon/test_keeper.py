"""Alarms in the daemon: one transaction with their events, taken up by a restart, acted on from outside."""

from __future__ import annotations

import hashlib
import hmac
import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from skids import duplex

from monitor.daemon.commands import Commands
from monitor.daemon.keeper import Keeper
from monitor.daemon.notices import Notices
from monitor.ingest.mqtt import Message
from monitor.model import NS, Event
from monitor.settings import (
    CommandSettings,
    NotifySettings,
    RuleSettings,
    Secret,
    ServiceSettings,
    Settings,
    WebhookSettings,
)
from monitor.store import Batch, Store, submit
from monitor.times import to_rfc3339
from tests.alarms.plant import at, event

KEY = ("s", "dp-limit", None, None)
TOKEN = "a-token-of-some-length"


class Hand:
    now = at(100)

    def __call__(self) -> int:
        return self.now


class Desk:
    """A store with a keeper on it, as a daemon has them; `again` stands for a restart."""

    def __init__(self, folder: Path, settings: Settings) -> None:
        self.path, self.settings, self.clock = folder / "s.db", settings, Hand()
        self.store = Store.open(self.path, now=self.clock)
        self.store.configure(settings.skids)
        self._begin()

    def _begin(self) -> None:
        self.keeper = Keeper(self.settings, self.store, self.clock, lambda skid: self.clock.now)
        self.keeper.restore()
        self.commands = Commands(self.settings.command, "p", self.keeper, self.clock)

    def again(self) -> None:
        self.store.close()
        self.store = Store.open(self.path, now=self.clock)
        self._begin()

    def told(self, *events: Event, messages: list[Message] | None = None) -> Batch:
        batch = Batch(events=list(events))
        self.keeper.fill(batch, ask=lambda: self.commands.take(messages or [], batch))
        Notices(self.settings, self.store, self.clock).fill(batch)
        self.store.commit(batch)
        return batch

    def due(self, channel: str) -> list[dict[str, Any]]:
        return [notice.body for notice in self.store.due(channel, self.clock.now + NS, 100)]

    def state(self) -> str:
        return str(self.store.alarm_states()[KEY]["state"])


@contextmanager
def desk(folder: Path, **settings: Any) -> Iterator[Desk]:
    made = Desk(folder, Settings((duplex(),), **settings))
    try:
        yield made
    finally:
        made.store.close()


def test_a_request_from_another_process_is_done_answered_and_on_record(tmp_path: Path) -> None:
    with desk(tmp_path) as d:
        d.told(event(0, "dp-limit"))
        number = submit(str(d.path), "s", "ack", {"who": "Ada", "target": "s/dp-limit", "via": "command line"}, at(1))
        bad = submit(str(d.path), "s", "reset", {"who": "Ada", "target": "s/dp-limit", "why": "x"}, at(1))
        d.told()
        answers = {r.id: r.answer for r in d.store.requests()}
        assert answers[number] == "acknowledged: s/dp-limit"
        assert answers[bad] == "refused: its condition still stands"
        assert d.state() == "acknowledged"
        refused, acknowledged = d.store.journal(steps=["ack", "refused"])
        assert (acknowledged.who, acknowledged.via, acknowledged.time) == ("Ada", "command line", at(100))
        assert (refused.who, refused.why) == ("Ada", "reset s/dp-limit: its condition still stands")


def test_a_restart_between_any_two_commits_moves_no_alarm_and_tells_nobody_again(tmp_path: Path) -> None:
    rules = (RuleSettings("r", ("duty",)),)
    notify = NotifySettings(services=(ServiceSettings("duty", Secret("json://127.0.0.1")),), rules=rules)
    with desk(tmp_path, notify=notify) as d:
        story = [event(0, "dp-limit"), event(5, "element-breach", grade="likely"), event(9, "dp-limit", "cleared")]
        for n, one in enumerate(story):
            d.told(one)
            d.again()
            batch = d.told(*story[: n + 1])     # run again from the checkpoint
            assert not batch.journal and not batch.alarm_states and not batch.notices and not batch.told
        assert len(d.due("service duty")) == 2
        assert d.state() == "returned-unacknowledged"


def test_a_push_says_what_where_since_when_what_to_do_and_with_what_caution(tmp_path: Path) -> None:
    rules = (RuleSettings("r", ("duty", "office")),)
    notify = NotifySettings((WebhookSettings("http://127.0.0.1:1/x", id="office"), WebhookSettings("http://127.0.0.1:2")),
                            services=(ServiceSettings("duty", Secret("json://127.0.0.1")),), rules=rules)
    web = replace(Settings(()).web, address="https://plant.example/filters/")
    with desk(tmp_path, notify=notify, web=web) as d:
        d.told(replace(event(30, "changeout-suspect", vessel="v1", detail="resistance-low"), onset=at(10)))
        body, = d.due("service duty")
        for part in ("Test skid (s)", "vessel v1", "in, out", "2026-01-01T00:00:10.000Z", "Isolate the vessel again",
                     "prove zero at the local gauge", "https://plant.example/filters/skid/s"):
            assert part in body["title"] + body["text"], part
        channels = d.store.outbox()
        hooks = sorted(name for name in channels if name.startswith("webhook"))
        ruled, plain = (d.due(name)[0] for name in sorted(hooks, key=lambda n: "title" not in d.due(n)[0]))
        assert ruled == body and plain["kind"] == "changeout-suspect"


def test_an_alarm_of_a_skid_that_is_no_longer_configured_does_not_stand_on_its_topic(tmp_path: Path) -> None:
    with desk(tmp_path) as d:
        d.told(event(0, "dp-limit"))
        assert [(o["skid"], o["state"]) for o in d.keeper.standing()] == [("s", "unacknowledged")]
        other = Settings((replace(duplex(), id="t"),))
        assert [(o["skid"], o["state"]) for o in Keeper(other, d.store, d.clock, lambda skid: 0).standing()] == [
            ("s", "normal")]


# ---- commands over MQTT


def message(body: Any, arrival: int = at(100), **more: Any) -> Message:
    payload = body if isinstance(body, bytes) else json.dumps(body).encode()
    return Message("p/command", payload, more.get("retain", False), arrival, 1, 1, 1)


def command(name: str = "c1", **more: Any) -> dict[str, Any]:
    return {"id": name, "action": "ack", "target": "s/dp-limit", "who": "Ada", "why": "seen"} | more


def signed(body: dict[str, Any], token: str = TOKEN) -> dict[str, str]:
    text = json.dumps(body)
    return {"command": text, "signature": hmac.new(token.encode(), text.encode(), hashlib.sha256).hexdigest()}


def answers(d: Desk) -> list[dict[str, Any]]:
    return [body for body in d.due("mqtt") if "answer" in body]


def test_a_trusted_command_is_done_once_however_often_it_is_delivered(tmp_path: Path) -> None:
    with desk(tmp_path, command=CommandSettings(mqtt="trusted")) as d:
        d.told(event(0, "dp-limit"))
        d.told(messages=[message(command()), message(command())])
        d.again()
        d.told(messages=[message(command(), at(101))])
        assert [(a["id"], a["done"], a["answer"]) for a in answers(d)] == [
            ("c1", True, "acknowledged: s/dp-limit")] * 2
        assert [e.step for e in d.store.journal(steps=["ack", "refused"])] == ["ack"]


@pytest.mark.parametrize(("body", "reason"), [
    (command(), "not signed"),
    (signed(command(time=to_rfc3339(at(100))), "another"), "signature is not ours"),
    (signed(command()), "time is missing"),
    (signed(command(time=to_rfc3339(at(100) - 301 * NS))), "more than 300 s from ours"),
    (signed({k: v for k, v in command(time=to_rfc3339(at(100))).items() if k != "id"}), "id is missing"),
    ({"command": "[1]", "signature": hmac.new(TOKEN.encode(), b"[1]", hashlib.sha256).hexdigest()}, "no JSON object"),
    (b"\xff{", "no JSON object"), (b"[" * 9000, "no JSON object"), (b"x" * 20_000, "too large"),
])
def test_who_cannot_sign_is_refused_counted_and_answered(tmp_path: Path, body: Any, reason: str) -> None:
    with desk(tmp_path, command=CommandSettings(Secret(TOKEN), "signed")) as d:
        d.told(event(0, "dp-limit"))
        d.told(messages=[message(body)])
        assert d.state() == "unacknowledged"
        assert [reason in a["answer"] for a in answers(d)] == [True]
        (_, kept), = d.store.quarantine()
        assert reason in kept.note and TOKEN not in kept.note


def test_a_signed_command_is_done_and_a_retained_one_never(tmp_path: Path) -> None:
    sealed = signed(command(time=to_rfc3339(at(100))))
    with desk(tmp_path, command=CommandSettings(Secret(TOKEN), "signed")) as d:
        d.told(event(0, "dp-limit"))
        d.told(messages=[message(sealed, retain=True)])
        assert d.state() == "unacknowledged"
        d.told(messages=[message(sealed)])
        assert d.state() == "acknowledged"


def test_commands_are_off_unless_they_are_switched_on(tmp_path: Path) -> None:
    with desk(tmp_path) as d:
        d.told(event(0, "dp-limit"))
        d.told(messages=[message(command())])
        assert d.state() == "unacknowledged" and "are off" in answers(d)[0]["answer"]


@pytest.mark.parametrize("field", ["who", "why", "target", "action", "id"])
@pytest.mark.parametrize("half", [b"\\ud800", b"\xed\xa0\x80"])
def test_half_a_character_in_a_command_is_refused_and_stops_no_commit(tmp_path: Path, field: str, half: bytes) -> None:
    with desk(tmp_path, command=CommandSettings(mqtt="trusted")) as d:
        d.told(event(0, "dp-limit"))
        spoilt = json.dumps(command() | {field: "HERE"}).encode().replace(b"HERE", half)
        d.told(messages=[message(spoilt), message(command("c2"))])
        assert [a["answer"] for a in answers(d)] == ["refused: it is no JSON object", "acknowledged: s/dp-limit"]


def test_a_refusal_over_mqtt_is_told_with_its_reason(tmp_path: Path) -> None:
    with desk(tmp_path, command=CommandSettings(mqtt="trusted")) as d:
        d.told(messages=[message(command(action="explode"))])
        assert answers(d)[0]["done"] is False and "no such action: explode" in answers(d)[0]["answer"]


def test_a_changeout_told_over_mqtt_goes_to_the_engine_once_under_a_number_of_its_own(tmp_path: Path) -> None:
    told = command(action="changed", target="s/v0", part="25 um felt", at=to_rfc3339(at(40)))
    with desk(tmp_path, command=CommandSettings(mqtt="trusted")) as d:
        d.told(messages=[message(told), message(told)])
        d.again()
        d.told(messages=[message(told, at(101))])
        assert len({a["answer"] for a in answers(d)}) == 1 and answers(d)[0]["answer"].startswith("on record: s/v0")
        (action,) = d.store.actions("s")
        assert (action.verb, action.by, action.body["at"]) == ("changed", "Ada", at(40))
        assert d.store.request(number=action.number) == d.store.request(origin="c1")
        assert [e.step for e in d.store.journal()] == ["changed"]
