"""Commands over MQTT: PREFIX/command, and what came of them on PREFIX/command/answer.

A command is a JSON object: `id` (its own name, under which it is done once, however often it is delivered), `action`,
`target`, `who`, `why`, and what the action needs besides (`for_s`, `at`, `part`; `monitor.alarms.acting.Action`).

Who may send one is settled by `[command] mqtt`: `trusted` leaves it to the broker's own access list; `signed` wants
`{"command": TEXT, "signature": HEX}`, where TEXT is the object as JSON with a `time` of now, and HEX the HMAC-SHA256
(RFC 2104) of TEXT's bytes under the token. A stale or repeated command does nothing.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Sequence
from typing import Any

import msgspec

from monitor.daemon.clock import Clock
from monitor.daemon.keeper import MQTT, Keeper
from monitor.ingest.mqtt import Message
from monitor.model import NS, Reason, Rejection
from monitor.settings import CommandSettings
from monitor.store import Batch, Notice
from monitor.times import parse_time

FRESH_S = 300.0         # how far a signed command's time may lie from ours
LARGEST = 16_384        # bytes
LONGEST_ID = 200
ANSWERED = 10           # strangers' commands of one commit that get an answer; all are counted
SHOWN = 200


class StrangerError(Exception):
    """A command that is not let in: why, and as what it is counted."""

    def __init__(self, text: str, reason: Reason) -> None:
        super().__init__(text)
        self.reason = reason


class Commands:
    """Takes commands among the messages and has them done. prefix: of our own topics, None where there are none."""

    def __init__(self, settings: CommandSettings, prefix: str | None, keeper: Keeper, clock: Clock) -> None:
        self._settings, self._keeper, self._clock = settings, keeper, clock
        self.topic = None if prefix is None else f"{prefix}/command"

    def split(self, messages: Sequence[Message]) -> tuple[list[Message], list[Message]]:
        """The commands, and the rest."""
        commands = [m for m in messages if m.topic == self.topic]
        return commands, [m for m in messages if m.topic != self.topic] if commands else list(messages)

    def take(self, messages: Sequence[Message], batch: Batch) -> None:
        """Has commands done, with their answers and refusals in the batch."""
        strangers = 0
        for message in messages:
            try:
                name, command = self._let_in(message)
            except StrangerError as error:
                strangers += 1
                batch.rejections.append(self._set_aside(message, error))
                if strangers <= ANSWERED:
                    digest = hashlib.sha256(message.payload).hexdigest()[:24]
                    self._answer(batch, f"{digest}/{message.arrival}", None, f"refused: {error}")
                continue
            verb = str(command.pop("action", ""))
            answer = self._keeper.command(batch, name, verb, command, "MQTT")
            self._answer(batch, f"{name}/{message.arrival}", name, answer)

    def _let_in(self, message: Message) -> tuple[str, dict[str, Any]]:
        """Name and content of a command whose sender may command."""
        if self._settings.mqtt == "off":
            raise StrangerError("commands over MQTT are off; [command] mqtt switches them on", Reason.UNAUTHORISED)
        if message.retain or len(message.payload) > LARGEST:
            what = "retained" if message.retain else "too large"
            raise StrangerError(f"a command that is {what} is not done",
                                Reason.RETAINED if message.retain else Reason.TOO_LARGE)
        command = _object(message.payload)
        if self._settings.mqtt == "signed":
            command = self._verified(command)
        name = command.pop("id", None)
        if not isinstance(name, str) or not 0 < len(name) <= LONGEST_ID:
            raise StrangerError(f"id is missing; accepted: text of at most {LONGEST_ID} characters, another for each "
                                "command", Reason.UNDECODABLE)
        command.pop("time", None)
        if isinstance(command.get("at"), str):
            command["at"] = _time(command["at"])
        return name, command

    def _verified(self, sealed: dict[str, Any]) -> dict[str, Any]:
        text, signature, token = sealed.get("command"), sealed.get("signature"), self._settings.token
        if not isinstance(text, str) or not isinstance(signature, str) or token is None:
            raise StrangerError('it is not signed; accepted: {"command": TEXT, "signature": HEX}', Reason.UNAUTHORISED)
        good = hmac.new(token.reveal().encode(), text.encode("utf-8", "replace"), hashlib.sha256).hexdigest()
        if not hmac.compare_digest(good.encode(), signature.lower().encode("utf-8", "replace")):
            raise StrangerError("its signature is not ours", Reason.UNAUTHORISED)
        command = _object(text.encode("utf-8", "replace"))
        time = command.get("time")
        age = abs(self._clock() - _time(time)) / NS if isinstance(time, str) else FRESH_S + 1
        if age > FRESH_S:
            raise StrangerError(f"its time is missing or more than {FRESH_S:g} s from ours", Reason.UNAUTHORISED)
        return command

    def _set_aside(self, message: Message, error: StrangerError) -> Rejection:
        shown = message.payload[: 4 * SHOWN].decode("utf-8", "replace")[:SHOWN]
        return Rejection(error.reason, None, None, message.topic, shown, None, f"a command: {error}")

    def _answer(self, batch: Batch, key: str, name: str | None, answer: str) -> None:
        body = {"id": name, "done": not answer.startswith("refused"), "answer": answer}
        batch.told.append(Notice(MQTT, f"answer/{key}", body, self._clock()))


def _object(payload: bytes) -> dict[str, Any]:
    """msgspec is strict: Python's own reader lets through halves of characters, which no store takes."""
    try:
        return msgspec.json.decode(payload, type=dict[str, Any])
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        raise StrangerError("it is no JSON object", Reason.UNDECODABLE) from None


def _time(text: str) -> int:
    found = parse_time(text)
    if isinstance(found, str):
        raise StrangerError(f"{text[:60]} is no time; accepted: RFC 3339, as 2026-03-01T12:00:00Z", Reason.BAD_TIME)
    return found
