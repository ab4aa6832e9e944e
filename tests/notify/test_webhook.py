from __future__ import annotations

import json
import math
import time
from email.utils import formatdate

import pytest
import standardwebhooks
from hypothesis import given
from hypothesis import strategies as st
from notify.servers import RESET, SILENCE, Answer, Asked, HttpServer

from monitor.errors import InputError
from monitor.notify.outcome import Later, Outcome, Refused, Taken, retry_after, shown
from monitor.notify.webhook import Webhook, channel_name, header_id
from monitor.settings import Secret, WebhookSettings

SECRET = "whsec_C2FVsBQIhrscChlQIMV+b5sSYspob7oD"     # 24 bytes
EVENT = {"time": "2026-01-01T00:00:00.000Z", "skid": "intake.1", "kind": "dp-limit", "value": 2.1,
         "message": "dP nears the limit at the Südeinlauf", "evidence": {"spread": math.nan, "window": [1.0, math.inf]}}
KEY = "intake.1/dp-limit/-/-/raised/1767225600000000000"


def hook(url: str, secret: str | None = SECRET, **options: float) -> Webhook:
    return Webhook(WebhookSettings(url, None if secret is None else Secret(secret)), **options)


def send_once(answer: Answer, path: str = "/hooks/intake", **options: float) -> tuple[Outcome, list[Asked]]:
    with HttpServer(lambda _: answer) as server:
        one = hook(server.url + path, **options)
        try:
            return one.send(KEY, EVENT), server.asked
        finally:
            one.close()


def test_a_receiver_can_verify_what_came_with_the_specifications_own_library() -> None:
    outcome, (asked,) = send_once(Answer(200, body=b"thanks"))
    assert outcome == Taken()
    body = standardwebhooks.Webhook(SECRET).verify(asked.body, dict(asked.headers))
    assert body == EVENT | {"evidence": {"spread": None, "window": [1.0, None]}}
    assert abs(int(asked.headers["webhook-timestamp"]) - time.time()) < 30
    assert asked.headers["content-type"] == "application/json"
    with pytest.raises(standardwebhooks.WebhookVerificationError):
        standardwebhooks.Webhook(SECRET).verify(asked.body + b" ", dict(asked.headers))


def test_the_id_is_the_events_at_every_attempt_and_cannot_be_mistaken_for_the_signed_parts() -> None:
    """The specification: id and timestamp must not be allowed to hold a full stop, which separates what is signed."""
    _, (first,) = send_once(Answer(500))
    _, (second,) = send_once(Answer(200))
    assert first.headers["webhook-id"] == second.headers["webhook-id"] == KEY.replace(".", "%2E")


@given(st.text(), st.text())
def test_ids_are_printable_ascii_without_full_stops_and_differ_where_keys_differ(one: str, other: str) -> None:
    assert header_id(one).isascii() and not set(header_id(one)) & set(". \n\r\t")
    assert (header_id(one) == header_id(other)) == (one == other)


def test_without_a_secret_an_event_goes_unsigned() -> None:
    with HttpServer() as server:
        one = hook(server.url, secret=None)
        assert one.send(KEY, EVENT) == Taken()
        one.close()
        assert "webhook-signature" not in server.asked[0].headers and "webhook-id" in server.asked[0].headers


@pytest.mark.parametrize("status", [400, 401, 403, 404, 405, 410, 413, 422])
def test_a_final_answer_refuses_with_its_reason(status: int) -> None:
    outcome, _ = send_once(Answer(status, body=b"no such\n\x1b[31mhook"))
    assert isinstance(outcome, Refused)
    assert f"answers {status}" in outcome.reason and outcome.reason.endswith("no such [31mhook")


@pytest.mark.parametrize("status", [408, 425, 429, 500, 502, 503, 504])
def test_a_temporary_answer_is_tried_again_when_the_receiver_says_so(status: int) -> None:
    outcome, _ = send_once(Answer(status, {"retry-after": "17"}))
    assert isinstance(outcome, Later) and outcome.wait_s == 17.0 and f"answers {status}" in outcome.reason


@pytest.mark.parametrize("status", [301, 302, 307, 308])
def test_a_redirect_is_not_followed_and_says_what_to_do(status: int) -> None:
    with HttpServer() as elsewhere:
        outcome, _ = send_once(Answer(status, {"location": elsewhere.url + "/taken"}))
        assert elsewhere.asked == []
    assert isinstance(outcome, Later) and outcome.slow and "put the final address into url" in outcome.reason


def test_a_reset_silence_or_nobody_there_is_tried_again() -> None:
    reset, _ = send_once(RESET)
    silent, _ = send_once(SILENCE, answer_s=0.3)
    with HttpServer() as server:
        gone = server.url
    away = hook(gone).send(KEY, EVENT)
    assert all(isinstance(o, Later) and o.wait_s is None for o in (reset, silent, away))
    assert isinstance(silent, Later) and "does not answer within 0.3 s" in silent.reason


def test_neither_secret_nor_address_is_ever_in_a_reason() -> None:
    path = "/services/T0123456789/B-very-secret?token=abcdef0123456789"
    echo = f"{SECRET} {SECRET.removeprefix('whsec_')} {path} abcdef0123456789 bad".encode()
    for answer in (Answer(403, body=echo), Answer(500, body=echo), Answer(302, {"location": path}), RESET):
        outcome, _ = send_once(answer, path)
        assert isinstance(outcome, Refused | Later)
        for hidden in ("C2FVsBQI", "T0123456789", "very-secret", "abcdef012345"):
            assert hidden not in outcome.reason and hidden not in repr(outcome)
    assert "very-secret" not in channel_name("https://office.example" + path)


def test_two_receivers_of_one_host_are_two_channels() -> None:
    names = {channel_name(f"https://office.example/{p}") for p in "ab"}
    assert len(names) == 2 and all(n.startswith("webhook office.example ") for n in names)


@pytest.mark.parametrize("secret", ["river", "whsec_" + "A" * 12, "not base64 at all, sadly", "whsec_" + "A" * 100])
def test_a_secret_the_specification_does_not_allow_is_an_input_error_that_does_not_show_it(secret: str) -> None:
    """Signing secret: 24 bytes at least, 64 at most."""
    with pytest.raises(InputError, match=r"24 to 64 random bytes") as caught:
        hook("http://127.0.0.1:9", secret)
    assert secret not in str(caught.value)


def test_an_endless_answer_does_not_keep_the_channel() -> None:
    """Neither one that is long nor one that goes on for ever, a byte at a time: each byte is in time."""
    for answer in (Answer(400, body=b"x" * 5_000_000), Answer(400, body=b"x", endless=True)):
        began = time.monotonic()
        outcome, _ = send_once(answer)
        assert isinstance(outcome, Refused) and "x" in outcome.reason and len(outcome.reason) < 400
        assert time.monotonic() - began < 5


def test_retry_after_is_read_as_the_rfc_writes_it() -> None:
    """RFC 9110, 10.2.3: its examples `120` and an HTTP date."""
    date = "Fri, 31 Dec 1999 23:59:59 GMT"
    assert retry_after("120", 0.0) == 120.0
    assert retry_after(date, 946_684_799.0 - 30) == 30.0
    assert retry_after(date, 946_684_799.0 + 30) == 0.0
    assert retry_after(formatdate(4e9, usegmt=True), 0.0) == retry_after("9" * 30, 0.0) == 3_600.0
    assert all(retry_after(bad, 0.0) is None for bad in (None, "", "soon", "-5", "1e3", "٣x"))


def test_an_answer_is_shown_on_one_line_and_short() -> None:
    assert shown("a\r\n\tb" + "c" * 999, []) == "a b" + "c" * 197
    assert json.dumps(shown("tok-123456 is bad", ["tok-123456"])) == '"*** is bad"'
