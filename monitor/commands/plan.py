"""`bagwright plan`: the next changeouts of the skids in a store, and what they need."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.commands.common import load_engine, load_settings, say
from monitor.commands.stored import open_stored
from monitor.commands.wording import wrapped
from monitor.errors import InputError
from monitor.model import Role
from monitor.skid import SkidSettings

if TYPE_CHECKING:
    from monitor.engine.engine import Engine
    from monitor.fleet.reader import FleetReader
    from monitor.store import Reader

MARGIN = 16
NOTHING_STORED = "nothing is stored of it yet"


def run_plan(config: Path, *, skid_id: str | None) -> None:
    settings = load_settings(config)
    skids = [s for s in settings.skids if skid_id in (None, s.id)]
    if not skids:
        raise InputError(f"--skid: found {skid_id}; accepted: {', '.join(s.id for s in settings.skids)}")
    load_engine()
    with open_stored(settings) as reader:
        stored = reader.skids()
        for skid in skids:
            say(f"{skid.name} ({skid.id})")
            for what, told in lines(reader, skid) if skid.id in stored else [("due", NOTHING_STORED)]:
                say(entry(what, told))


def lines(reader: Reader | FleetReader, skid: SkidSettings) -> Iterator[tuple[str, str]]:
    """What there is to say of a skid, from its newest checkpoint or, where that does not fit, from what was learned."""
    from monitor.engine.engine import Engine
    from monitor.engine.messages_plan import plan_lines
    from monitor.forecast.law_table import law_lines

    engine = Engine([skid])
    if not restored(engine, reader, skid):
        engine.recall(0, reader.facts(skid.id).values())
    plan = engine.plan(0)
    yield from plan_lines(skid, plan)
    yield from law_lines(plan.watch.points, engine.events.turbulent(0), by_volume=bool(skid.with_role(Role.FLOW)))


def restored(engine: Engine, reader: Reader | FleetReader, skid: SkidSettings) -> bool:
    import msgspec

    from monitor.daemon.rebuild import Memory

    checkpoint = reader.checkpoint(skid.id)
    if checkpoint is None or checkpoint.fingerprint != engine.fingerprint(0):
        return False
    try:
        engine.restore(0, bytes(msgspec.json.decode(checkpoint.state, type=Memory).engine))
    except (InputError, msgspec.DecodeError):
        return False
    return True


def entry(what: str, told: str) -> str:
    return wrapped(f"  {what:<{MARGIN - 2}}", told, " " * MARGIN)
