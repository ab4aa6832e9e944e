"""`deploy/broker` in the real broker: who gets in, and what each may publish and hear.

Reason code 135 is MQTT 5's "Not authorized" (OASIS MQTT 5.0, 3.4.2.1).
"""

from __future__ import annotations

import hashlib
import hmac
import json
import re
import socket
import ssl
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from commands.helpers import Running, assert_for_people, bagwright
from deployment.site import DEPLOY, Authority, Party, SiteBroker
from services import eventually

from monitor.times import to_rfc3339
from tests.live.daemon import wait_for_rows

READING = "hatchery/intake-1/PT-101"
ALARM = "bagwright/intake-1/alarm/dp-limit"
# who, topic, whether it may be published there
SAYING = [
    ("intake-1", READING, True),
    ("intake-1", "hatchery/intake-2/PT-101", False),
    ("intake-1", "bagwright/command", False),
    ("intake-1", ALARM, False),
    ("bagwright", ALARM, True),
    ("bagwright", "bagwright/intake-1/alert/changeout-forecast", True),
    ("bagwright", "bagwright/intake-1/event", True),
    ("bagwright", "bagwright/state", True),
    ("bagwright", "bagwright/heartbeat", True),
    ("bagwright", "bagwright/command/answer", True),
    ("bagwright", "bagwright/command", False),
    ("bagwright", READING, False),
    ("control-room", "bagwright/command", True),
    ("control-room", "bagwright/command/answer", False),
    ("control-room", ALARM, False),
    ("control-room", READING, False),
    ("display", "bagwright/command", False),
    ("display", READING, False),
    ("broker", READING, False),
    ("broker", "bagwright/command", False),
    ("stranger-with-a-certificate", READING, False),
    ("stranger-with-a-certificate", "bagwright/command", False),
]
HEARING = {"bagwright": {READING, "bagwright/command"}, "control-room": {ALARM, "bagwright/command"},
           "display": {ALARM, "bagwright/command"}, "intake-1": set[str](), "stranger-with-a-certificate": set[str]()}


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SiteBroker]:
    with SiteBroker(tmp_path_factory.mktemp("site")) as service:
        yield service


def test_each_may_publish_what_it_is_there_for_and_nothing_else(broker: SiteBroker) -> None:
    said = []
    for who, topic, _ in SAYING:
        with Party(broker, who) as party:       # this broker cuts off whoever was refused
            said.append((who, topic, party.say(topic, "1")))
            assert set(party.refusals) <= {135}
    assert said == SAYING


def test_each_hears_what_concerns_it_and_nothing_else(broker: SiteBroker) -> None:
    parties = {who: Party(broker, who, "#") for who in HEARING}
    with Party(broker, "intake-1") as gateway, Party(broker, "control-room") as room:
        assert gateway.say(READING, "2") and room.say("bagwright/command", "2")
        assert parties["bagwright"].say(ALARM, "2")
        eventually(lambda: all({t for t, p in p.heard if p == b"2"} >= HEARING[who] - own(who)
                               for who, p in parties.items()), 10, "what is to be heard")
        time.sleep(0.3)
    for who, party in parties.items():
        assert {t for t, p in party.heard if p == b"2"} == HEARING[who] - own(who), who
        party.__exit__()


def test_the_broker_can_be_asked_whether_it_answers_with_its_own_certificate(broker: SiteBroker) -> None:
    """As the health check of compose.yaml does."""
    with Party(broker, "broker", "#", "$SYS/#") as party:
        eventually(lambda: party.heard, 15, "its uptime")
        assert {topic for topic, _ in party.heard} == {"$SYS/broker/uptime"}


def own(who: str) -> set[str]:
    """What a party says itself, and does not hear (noLocal)."""
    return {ALARM} if who == "bagwright" else set()


CONNECT = b"\x10\x10\x00\x04MQTT\x05\x02\x00\x3c\x00\x00\x03abc"
CONNACK = b"\x20"


def greeted(broker: SiteBroker, context: ssl.SSLContext | None) -> bool:
    """Whether the broker answers to a CONNECT, over TLS or plain."""
    try:
        with (
            socket.create_connection(("127.0.0.1", broker.port), 5) as plain,
            context.wrap_socket(plain, server_hostname="127.0.0.1") if context else plain as speaking,
        ):
            speaking.sendall(CONNECT)
            return speaking.recv(100).startswith(CONNACK)
    except OSError:
        return False


def test_who_has_no_certificate_of_this_site_or_speaks_plainly_does_not_get_in(
    broker: SiteBroker, tmp_path: Path
) -> None:
    broker.authority.issue("display", common_name="display")
    stranger = Authority(tmp_path / "stranger")
    stranger.issue("bagwright", common_name="bagwright")
    hellos = {
        "display": broker.authority.context("display"),
        "no certificate": broker.authority.context(None),
        "another site's bagwright": stranger.context("bagwright", broker.authority.folder / "ca.pem"),
        "no TLS": None,
    }
    assert [name for name, context in hellos.items() if greeted(broker, context)] == ["display"]


def test_every_file_and_right_that_the_shipped_files_name_is_there() -> None:
    acl = (DEPLOY / "broker/acl").read_text(encoding="utf-8")
    lines = [line for line in acl.splitlines() if line and not line.startswith("#")]
    grammar = r"user [\w-]+|(topic|pattern) (read|write|readwrite) \S+"
    assert [line for line in lines if not re.fullmatch(grammar, line)] == []
    assert {who for who, _, _ in SAYING} >= set(re.findall(r"(?m)^user (\S+)", acl))


@pytest.mark.timeout(200)
def test_the_shipped_site_runs_whole_and_a_signed_command_comes_through(broker: SiteBroker, tmp_path: Path) -> None:
    home = broker.configuration(tmp_path)
    checked = bagwright("check", home, cwd=tmp_path)
    assert_for_people(checked)
    assert checked.code == 0 and "TLS" in checked.out, checked
    token = (broker.authority.folder / "command_token").read_text().strip()
    start = time.time_ns() // 10**9 - 300
    with Running("run", "--no-page", "--config", home, cwd=tmp_path) as run, Party(
            broker, "intake-1") as gateway, Party(broker, "control-room", "bagwright/#") as room:
        run.says("connected")
        eventually(lambda: b"online" in dict(room.heard).get("bagwright/state", b""), 30, "online")
        for i in range(60):
            for signal, value in (("PT-101", 5.3), ("PT-102", 2.8), ("FT-101", 40.0)):
                body = f'{{"time": {start + i}, "value": {value}}}'
                assert gateway.say(f"hatchery/intake-1/{signal}", body)
        assert wait_for_rows(tmp_path / "bagwright.db", "intake-1", 180) == 180
        eventually(lambda: ALARM in dict(room.heard), 30, "the alarm")
        order = {"id": "c1", "action": "ack", "target": "intake-1/dp-limit", "who": "Ada", "why": "seen"}
        for sealed in (order, {"command": "", "signature": ""}, signed(order, token)):
            assert room.say("bagwright/command", json.dumps(sealed))
        eventually(lambda: len([t for t, _ in room.heard if t.endswith("answer")]) == 3, 30, "answers")
        answers = [json.loads(p) for t, p in room.heard if t.endswith("answer")]
        assert sorted(a["done"] for a in answers) == [False, False, True]
        assert run.stop().code == 0
    everything = run.said.out + run.said.err + repr(room.heard) + checked.out + checked.err
    for secret in ("command_token", "control_room_token", "display_token", "influx_token"):
        assert (broker.authority.folder / secret).read_text().strip() not in everything


def signed(order: dict[str, str], token: str) -> dict[str, str]:
    text = json.dumps(order | {"time": to_rfc3339(time.time_ns())})
    return {"command": text, "signature": hmac.new(token.encode(), text.encode(), hashlib.sha256).hexdigest()}
