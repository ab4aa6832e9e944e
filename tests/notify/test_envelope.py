"""CloudEvents as the CNCF's own SDK for Python reads them."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from cloudevents.core.bindings.http import HTTPMessage, from_http_event
from notify.servers import Answer, HttpServer
from notify.test_webhook import EVENT, KEY, SECRET
from standardwebhooks import Webhook as Verifier

from monitor.notify.envelope import enveloped
from monitor.notify.outcome import Taken
from monitor.notify.webhook import Webhook
from monitor.settings import Secret, WebhookSettings


def test_a_signed_envelope_is_read_by_the_reference_library() -> None:
    with HttpServer(lambda _: Answer(202)) as server:
        hook = Webhook(WebhookSettings(f"{server.url}/hooks", Secret(SECRET), envelope="cloudevents"))
        assert hook.send(KEY, EVENT | {"vessel": "east"}) == Taken()
        hook.close()
        (asked,) = server.asked
    Verifier(SECRET).verify(asked.body, dict(asked.headers))
    event = from_http_event(HTTPMessage(headers=dict(asked.headers), body=asked.body))
    assert event.get_id() == KEY and event.get_source() == "/skids/intake.1"
    assert event.get_type() == "bagwright.dp-limit.v1" and event.get_subject() == "east"
    assert event.get_time() == datetime(2026, 1, 1, tzinfo=UTC)
    assert event.get_data() == EVENT | {"vessel": "east", "evidence": {"spread": None, "window": [1.0, None]}}


@pytest.mark.parametrize("skid", ["east/1", "a b", "Überlauf?#"])
def test_the_source_is_a_uri_reference_whatever_a_skid_is_called(skid: str) -> None:
    """RFC 3986: path segments hold no slash, question mark or number sign that belongs to the name."""
    source = enveloped("k", {"skid": skid, "kind": "surge"})["source"]
    assert source.isascii() and source.count("/") == 2 and not set(source) & set(" ?#")


def test_a_push_for_people_has_no_time_of_an_event() -> None:
    assert "time" not in enveloped("k", {"skid": "intake.1", "kind": "surge", "time": None})
