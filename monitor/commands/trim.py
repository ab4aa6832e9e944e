"""`bagwright trim`: zero trims that were proposed, in force or undone; approve and undo."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.commands.common import load_settings, say
from monitor.errors import InputError, RunError
from monitor.model import Fact
from monitor.settings import Settings
from monitor.skid import SkidSettings

if TYPE_CHECKING:
    from monitor.store import Request

PREFIX = "trim/"
PATIENCE_S = 4.0      # a running daemon looks for requests each second


def run_list(config: Path, skid_id: str | None) -> None:
    from monitor.store import Reader

    settings = load_settings(config)
    with Reader.open(settings.store.path) as reader:
        known = set(reader.skids())
        facts = [(s, f) for s in settings.skids if s.id in known and skid_id in (None, s.id)
                 for key, f in sorted(reader.facts(s.id).items()) if key.startswith(PREFIX)]  # fmt: skip
    for line in lines(facts):
        say(line)


def lines(facts: list[tuple[SkidSettings, Fact]]) -> Iterator[str]:
    from monitor.engine.wording import Words, clock

    if not facts:
        yield "no zero trim was ever proposed"
    for skid, fact in facts:
        value, words = fact.value, Words(skid)
        by = f"{words.difference(value['offset_pa'])} (+- {words.difference(value['error_pa'])})"
        who = f", by {value['by']}" if value["by"] else ""
        why = f": {value['reason']}" if value["reason"] else ""
        name = fact.key.removeprefix(PREFIX)
        yield f"{skid.id}  {name:<12} {value['state']:<10} {by} off what it reads, {clock(fact.time)}{who}{why}"


def run_decide(config: Path, verb: str, signal: str, *, skid_id: str | None, by: str, reason: str) -> None:
    """Leave the decision for the daemon and wait a little for its answer."""
    from monitor.store import submit

    settings = load_settings(config)
    skid = skid_with(settings, signal, skid_id, config)
    body: dict[str, Any] = {"signal": signal, "by": by, "reason": reason}
    number = submit(settings.store.path, skid.id, f"trim-{verb}", body, time.time_ns())
    request = answered(settings, number)
    if request is None or request.answer is None:
        say(f"asked ({number}); no daemon has answered yet: one that runs does so within a second or two, one that is "
            "stopped when it starts")  # fmt: skip
    elif request.answer.startswith("refused"):
        raise RunError(f"{skid.id}: {request.answer}")
    else:
        say(f"{skid.id}: {request.answer}")


def skid_with(settings: Settings, signal: str, skid_id: str | None, config: Path) -> SkidSettings:
    """The skid that has the signal."""
    found = [s for s in settings.skids if s.index(signal) is not None and skid_id in (None, s.id)]
    if len(found) == 1:
        return found[0]
    if found:
        names = ", ".join(s.id for s in found)
        raise InputError(f"{config}: {names} each have a signal {signal}; say which with --skid")
    known = ", ".join(s.id for k in settings.skids if skid_id in (None, k.id) for s in k.signals)
    raise InputError(f"{signal}: {config} has no such signal{f' on {skid_id}' if skid_id else ''}; accepted: {known}")


def answered(settings: Settings, number: int) -> Request | None:
    """The request as it stands when it is answered, or after some patience."""
    from monitor.store import Reader

    until = time.monotonic() + PATIENCE_S
    while True:
        with Reader.open(settings.store.path) as reader:
            mine = next((r for r in reader.requests() if r.id == number), None)
        if mine is None or mine.answered is not None or time.monotonic() > until:
            return mine
        time.sleep(0.2)
