"""Receivers in every mood that HTTP and SMTP know: nothing is lost, and what will never be taken is kept visibly.

Status codes: RFC 9110, section 15; RFC 5321, section 4.2 (SMTP).
"""

from __future__ import annotations

import socket
import socketserver
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import standardwebhooks
from notify.servers import Answer, HttpServer

from monitor.daemon.people import ServiceSender
from monitor.daemon.senders import Patience
from monitor.model import NS
from monitor.notify.influx import InfluxWriter
from monitor.notify.outcome import Later, Refused, Taken
from monitor.notify.service import Service
from monitor.notify.webhook import Webhook
from monitor.settings import InfluxSettings, Secret, ServiceSettings, WebhookSettings
from monitor.store import Batch, Notice, Store

CODES = [*range(400, 452), *range(500, 512), 520, 599]
BUSY = {408, 425, 429}
SECRET = "whsec_C2FVsBQIhrscChlQIMV+b5sSYspob7oD"
LINES = [f"reading,signal=PT-1 value={i} {i}" for i in range(8)]


def test_every_4xx_and_5xx_of_a_webhook_is_tried_again_or_kept_with_its_reason() -> None:
    """Of 4xx only 408, 425 and 429 say that the same may succeed later; every 5xx does."""
    status = 0
    with HttpServer(lambda _: Answer(status, body=b"no")) as server:
        hook = Webhook(WebhookSettings(server.url, Secret(SECRET)))
        for status in CODES:
            outcome = hook.send("a/b/-/-/raised/1", {"kind": "dp-limit"})
            assert isinstance(outcome, Later if status in BUSY or status >= 500 else Refused), status
            assert str(status) in outcome.reason
        status = 204
        assert hook.send("a/b/-/-/raised/1", {"kind": "dp-limit"}) == Taken()
        hook.close()
    assert len(server.asked) == len(CODES) + 1


@pytest.mark.parametrize("proven", [False, True])
def test_every_4xx_and_5xx_of_a_database_loses_no_point(proven: bool) -> None:
    """Every line is afterwards taken, still to be sent, or refused by name; before the server has taken anything,
    nothing is refused for good: the fault may be in the address."""
    status = 0
    with HttpServer(lambda asked: Answer(204 if asked.path == "/ping" else status, body=b'{"message":"no"}')) as server:
        for status in CODES:
            flag = threading.Event()
            if proven:
                flag.set()
            writer = InfluxWriter(InfluxSettings(server.url, "h", "b", Secret("geheim")), proven=flag)
            result = writer.deliver(LINES)
            accounted = sorted([line for line, _ in result.refused] + result.left)
            assert accounted == LINES, status
            assert result.later is not None or (proven and result.refused), status
            assert proven or not result.refused, status
            writer.close()


def test_a_webhook_that_somebody_sends_again_later_is_refused_by_the_specifications_library() -> None:
    """Replay protection: the timestamp is signed, and receivers refuse one that is 5 min old (Standard Webhooks 1.0.0,
    "Verifying webhook authenticity"); each attempt of ours has its own."""
    clock = time.time() - 400.0
    with HttpServer() as server:
        hook = Webhook(WebhookSettings(server.url, Secret(SECRET)), now=lambda: clock)
        hook.send("k", {"kind": "dp-limit"})
        clock = time.time()
        hook.send("k", {"kind": "dp-limit"})
        hook.close()
    old, fresh = server.asked
    verifier = standardwebhooks.Webhook(SECRET)
    with pytest.raises(standardwebhooks.WebhookVerificationError, match="old"):
        verifier.verify(old.body, dict(old.headers))
    assert verifier.verify(fresh.body, dict(fresh.headers)) == {"kind": "dp-limit"}
    mixed = dict(old.headers) | {"webhook-timestamp": fresh.headers["webhook-timestamp"]}
    with pytest.raises(standardwebhooks.WebhookVerificationError, match="signature"):
        verifier.verify(old.body, mixed)


class Mailbox(socketserver.ThreadingTCPServer):
    """A mail server that answers `reply` to the end of a message, or hangs up; keeps what it took."""

    allow_reuse_address = daemon_threads = True
    block_on_close = False
    reply = "250 taken"

    def __init__(self) -> None:
        self.taken: list[str] = []
        self.tried = 0
        super().__init__(("127.0.0.1", 0), _Mail)


class _Mail(socketserver.StreamRequestHandler):
    server: Mailbox

    def handle(self) -> None:
        self._say("220 river.example")
        for line in self.rfile:
            word = line[:4].upper().strip()
            if word == b"DATA":
                self._say("354 go on")
                text = b""
                while not text.endswith(b"\r\n.\r\n"):
                    text += self.rfile.readline()
                self.server.tried += 1
                if not self.server.reply:
                    return
                if self.server.reply.startswith("2"):
                    self.server.taken.append(text.decode())
                self._say(self.server.reply)
            else:
                self._say("221 bye" if word == b"QUIT" else "250 yes")

    def _say(self, text: str) -> None:
        self.wfile.write(f"{text}\r\n".encode())


@contextmanager
def mailbox() -> Iterator[Mailbox]:
    with Mailbox() as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        try:
            yield server
        finally:
            server.shutdown()
            thread.join()


REPLIES = ["421 closing", "451 greylisted", "452 full", "550 no such mailbox", "554 refused", ""]


def test_a_mail_that_is_not_taken_waits_is_tried_again_and_arrives_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(socket, "getfqdn", lambda *_: "intake.example")     # smtplib asks DNS for our name: seconds
    now, said = 1_767_225_600 * NS, list[str]()
    with mailbox() as server, Store.open(tmp_path / "s.db", now=lambda: now) as store:
        address = (f"mailto://127.0.0.1:{server.server_address[1]}/?from=intake@river.example&to=duty@river.example"
                   "&mode=insecure")

        def attempts() -> None:
            """As after a restart: Apprise itself pauses for seconds between two messages of one service."""
            sender = ServiceSender("duty", Service(ServiceSettings("duty", Secret(address))), store,
                                   Patience("duty", lambda: now, said.append, "seed"), lambda: now, lambda: False)
            sender.turn()
            sender.turn()               # too soon: it has to wait for its turn
            sender.close()

        store.commit(Batch(told=[Notice("duty", "k1", {"title": "dP limit", "text": "dP nears the limit"}, now)]))
        for attempt, server.reply in enumerate(REPLIES, 1):
            attempts()
            assert server.tried == attempt and server.taken == []
            waiting = store.status()["outbox"]["duty"]
            assert (waiting["queued"], waiting["sent"], waiting["refused"]) == (1, 0, 0) and waiting["last_error"]
            now += 1_200 * NS
        server.reply = "250 taken"
        attempts()
        assert store.status()["outbox"]["duty"]["sent"] == 1
        (mail,) = server.taken
        assert "Reference: k1" in mail and len(said) == len(REPLIES)
