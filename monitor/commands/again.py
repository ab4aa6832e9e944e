"""An event run again: the stored readings around it through the engine, from the checkpoint pinned for it."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, NamedTuple

from monitor.errors import InputError
from monitor.model import NS, Event
from monitor.skid import SkidSettings

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from monitor.engine.engine import Engine
    from monitor.fleet.reader import FleetReader
    from monitor.store import Reader

BUCKETS = 20_000         # of the trend that is drawn: seconds, up to three times the span pinned
COMPARED = ("vessel", "signal", "detail", "grade", "value", "unit", "onset", "message")


class Again(NamedTuple):
    """What came of it. sentence: for a person. same: whether the very event came out."""

    same: bool
    sentence: str
    trend: dict[str, npt.NDArray[np.float64] | npt.NDArray[np.int64]]


def run_again(reader: Reader | FleetReader, skid: SkidSettings, event: Event) -> Again | None:
    """None where no reading around the event is stored any more."""
    from monitor.daemon.rebuild import rerun
    from monitor.engine.engine import Engine
    from monitor.web.words import utc

    pinned = reader.pinned(event.id)
    if pinned is None:
        return None
    start, until, checkpoint = pinned
    engine = Engine([skid], trend_buckets=BUCKETS)
    begin = _restored(reader, engine, skid, checkpoint, start)
    found: list[Event] = []
    stored = reader.rows_after(skid.id, begin.since, signals=[s.id for s in skid.signals])
    parts = (rows.take(slice(0, int(rows.time.searchsorted(until, "right")))) for rows in stored)
    actions = [a for a in reader.actions(skid.id, begin.since) if a.time <= event.time]
    count = rerun(engine, 0, itertools.takewhile(lambda part: part.size > 0, parts), actions,
                  lambda output: found.extend(output.events))
    if count == 0:
        return None
    if engine.reached(0) < event.time:      # it was told in a silence: time goes on without readings
        found += engine.advance({0: event.time + engine.sequencers[0].lateness}).events
    else:
        found += engine.finish().events
    twin = next((e for e in found if e.id == event.id), None)
    where = f"{count:,} stored readings, {begin.told} {utc(max(begin.since, 0)) if begin.since else ''}".rstrip()
    same = twin is not None and not differing(event, twin)
    return Again(same, f"{where}: {verdict(event, twin)}", engine.rows.trend())


class Begun(NamedTuple):
    since: int          # readings later than this are run
    told: str


def _restored(reader: Reader | FleetReader, engine: Engine, skid: SkidSettings, checkpoint: int | None,
              start: int) -> Begun:
    """The engine as it was before the event, as well as the store knows it."""
    import msgspec

    from monitor.daemon.rebuild import Memory

    kept = None if checkpoint is None else reader.checkpoint(skid.id, at=checkpoint)
    if kept is not None and kept.fingerprint == engine.fingerprint(0):
        try:
            engine.restore(0, bytes(msgspec.json.decode(kept.state, type=Memory).engine))
            return Begun(kept.released, "from the checkpoint of")
        except (InputError, msgspec.DecodeError):
            pass        # as one made by another version
    engine.recall(0, reader.facts(skid.id, at=start).values())
    if kept is None:
        return Begun(start - 1, "without a checkpoint, from")
    return Begun(start - 1, "the checkpoint being of another version or other settings, without it, from")


def verdict(event: Event, twin: Event | None) -> str:
    if twin is None:
        return "the event did not come out again"
    changed = differing(event, twin)
    if not changed:
        return "the same event came out"
    return f"the event came out at the same time with another {', '.join(changed)}"


def differing(event: Event, twin: Event) -> list[str]:
    """Names of what differs. Numbers count as the same to six digits: the build may be another."""
    def plain(x: object) -> object:
        return f"{x:.6g}" if isinstance(x, float) else x

    return [name for name in COMPARED if plain(getattr(event, name)) != plain(getattr(twin, name))]


def around(trend: dict[str, npt.NDArray[np.float64] | npt.NDArray[np.int64]], event: Event, since: int,
           ) -> dict[str, npt.NDArray[np.float64] | npt.NDArray[np.int64]]:
    """The part of a trend from some time before the window to as long after the decision, at least 20 minutes."""
    margin = max(1200 * NS, event.time - since)
    time = trend["time"]
    inside = (time >= since - margin) & (time <= event.time + margin)
    return {name: column[inside] for name, column in trend.items()}
