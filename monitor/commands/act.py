"""`bagwright ack`, `shelve`, `reset` and their kin: asked of a daemon that runs, done here where none does."""

from __future__ import annotations

import getpass
import time
from pathlib import Path
from typing import Any

from monitor.commands.common import load_settings, say
from monitor.errors import InputError, RunError, StoreError
from monitor.settings import Settings

PATIENCE_S = 5.0      # a running daemon looks for requests several times a second


def run_act(config: Path, verb: str, target: str, *, who: str | None, why: str, **more: Any) -> None:
    """Leaves the request and says what came of it. Raises RunError where it is refused."""
    from monitor.store import submit

    settings = load_settings(config)
    body = asked(target, who=who, why=why) | {k: v for k, v in more.items() if v is not None}
    skid = target.partition("/")[0] or None
    number = submit(settings.store.path, skid, verb, body, time.time_ns())
    done_here(settings)
    tell(answered(settings, number),
         f"asked ({number}): the daemon has not answered yet; `bagwright journal` shows what becomes of it")


def asked(target: str, *, who: str | None, why: str) -> dict[str, Any]:
    """What a request from the command line says."""
    return {"who": who or user(), "target": target, "why": why, "via": "command line"}


def tell(answer: str | None, open_yet: str) -> None:
    """Says what came of a request; open_yet: where nothing has. Raises RunError where it is refused."""
    if answer is not None and answer.startswith("refused"):
        raise RunError(answer)
    say(open_yet if answer is None else answer)


def user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        raise InputError("--by: this user has no name here; accepted: the name of who acts") from None


def seconds(text: str | None, option: str) -> float | None:
    """A length of time as typed, such as 30 min."""
    from monitor.config.readers import Quantity
    from monitor.config.wording import RefusalError

    if text is None:
        return None
    try:
        return Quantity("time", "above zero", above=0)(text)
    except RefusalError as error:
        raise InputError(f"{option}: {error}") from None


def moment(text: str | None, option: str) -> int | None:
    """A time as typed [ns]."""
    from monitor.times import parse_time

    if text is None:
        return None
    found = parse_time(text)
    if isinstance(found, str):
        raise InputError(f"{option}: found {text} ({found}); accepted: RFC 3339, as 2026-03-01T12:00:00+01:00")
    return found


def done_here(settings: Settings) -> None:
    """Does what is asked where no daemon has the store; what the engine itself must know waits for its start."""
    from monitor.daemon.keeper import Keeper
    from monitor.daemon.notices import Notices
    from monitor.store import Batch, Store

    try:
        store = Store.open(settings.store.path, now=time.time_ns)
    except StoreError:
        return      # a daemon has it
    with store:
        known = set(store.skids())

        def reached(skid: str) -> int:
            if skid not in known:
                return 0
            newest = max((t for t, *_ in store.latest(skid).values()), default=0)
            return max(store.tick(skid) or 0, newest)

        keeper = Keeper(settings, store, time.time_ns, reached)
        keeper.restore()
        batch = Batch()
        keeper.fill(batch)
        Notices(settings, store, time.time_ns).fill(batch)
        store.commit(batch)


def answered(settings: Settings, number: int) -> str | None:
    """What came of a request, after some patience; None: nothing yet."""
    from monitor.store import Reader

    until = time.monotonic() + PATIENCE_S
    while True:
        with Reader.open(settings.store.path) as reader:
            request = reader.request(number)
        if request is None or request.answer is not None or time.monotonic() > until:
            return None if request is None else request.answer
        time.sleep(0.1)


def run_requeue(config: Path, channel: str) -> None:
    """Tries a channel's refused notices again."""
    from monitor.store import Reader, requeue

    settings = load_settings(config)
    with Reader.open(settings.store.path) as reader:
        channels = reader.outbox()
    if channel not in channels:
        raise InputError(f"{channel}: no such channel; accepted: {', '.join(channels) or 'there are none yet'}")
    number = requeue(settings.store.path, channel, time.time_ns())
    say(f"{channel}: {number} refused notices are tried again")
