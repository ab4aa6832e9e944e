"""`bagwright explain`: why an event was told, from a store or from what a replay wrote."""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from monitor.commands.common import load_engine, load_settings, say
from monitor.commands.page import open_reader
from monitor.commands.stored import open_stored, where_stored
from monitor.commands.wording import wrapped
from monitor.errors import InputError, RunError
from monitor.model import Event, Transition
from monitor.skid import SkidSettings
from monitor.times import parse_rfc3339, to_rfc3339

if TYPE_CHECKING:
    import numpy as np

    from monitor.fleet.reader import FleetReader
    from monitor.settings import Settings
    from monitor.store import Reader

MARGIN = 11
LISTED = 8              # events named where one was not found, or several were
EVENTS = "events.jsonl"


class Source(NamedTuple):
    """Where events are looked up. reader: the store's or a fleet's, None for a replay's folder. skids: by id, where
    configured."""

    name: str
    events: Sequence[Event]
    reader: Reader | FleetReader | None
    skids: dict[str, SkidSettings]


def run_explain(wanted: str, *, config: Path | None, store: Path | None, folder: Path | None, plot: Path | None,
                replay: bool) -> None:
    if folder is not None and store is not None:
        raise InputError("--from and --store: found both; accepted: one of them")
    if folder is None and store is None and config is None:
        raise InputError("found no place to look in; accepted: --config PATH or --store FILE of a daemon, or "
                         "--from DIR that a replay wrote")
    settings = None if config is None else load_settings(config)
    known = {skid.id: skid for skid in (settings.skids if settings else ())}
    if folder is not None:
        explain(wanted, Source(str(folder / EVENTS), read_events(folder / EVENTS), None, known), plot, replay=False)
        return
    name, reader = opened(settings, store)
    with reader:
        explain(wanted, Source(name, candidates(reader, wanted), reader, known), plot, replay=replay)


def opened(settings: Settings | None, store: Path | None) -> tuple[str, Reader | FleetReader]:
    """Where events are looked up, for people and for reading."""
    if store is None and settings is not None:
        return where_stored(settings), open_stored(settings)
    return str(store), open_reader(Path(str(store)))


def explain(wanted: str, source: Source, plot: Path | None, *, replay: bool) -> None:
    from monitor.report.evidence import course, window_of

    event = chosen(wanted, source)
    skid = source.skids.get(event.skid)
    columns, remarks = course(event), list[tuple[str, str]]()
    if source.reader is not None and skid is not None and replay:
        load_engine()
        from monitor.commands.again import around, run_again

        again = run_again(source.reader, skid, event)
        remarks.append(("replayed", again.sentence if again else "no reading around it is stored any more"))
        if again is not None:
            window = window_of(event)
            columns = around(again.trend, event, window[0] if window else event.onset or event.time)
    for line in lines(event, columns):
        say(line)
    if source.reader is not None and skid is None:
        remarks.append(("replayed", "not run again: --config with this skid is needed for it"))
    if source.reader is None:
        remarks.append(("beside", f"{Path(source.name).with_name('report.html')} shows the whole recording"))
    remarks.append(("plot", drawn(event, columns, skid, remarks, plot)))
    for name, text in remarks:
        say(entry(name, text))


def drawn(event: Event, columns: dict[str, np.ndarray] | None, skid: SkidSettings | None,
          remarks: list[tuple[str, str]], plot: Path | None) -> str:
    """Writes the page where one was asked for; what to say of it."""
    if plot is None:
        return "--plot FILE.html writes one page with the evidence and the courses around it"
    from monitor.report.event_page import render_event

    try:
        plot.write_text(render_event(event, columns, skid, [f"Replayed: {t}." for n, t in remarks if n == "replayed"]),
                        encoding="utf-8")
    except OSError as error:
        raise RunError(f"--plot {plot}: cannot be written ({(error.strerror or str(error)).lower()}); accepted: a file "
                       "in a folder that can be written") from None
    return str(plot)


def lines(event: Event, columns: dict[str, np.ndarray] | None) -> Iterator[str]:
    """The event and its evidence for a terminal."""
    from monitor.report.evidence import numbers, sparkline, told
    from monitor.web.words import utc

    about = ", ".join(filter(None, (event.skid, event.vessel, event.signal)))
    more = ", ".join(filter(None, (event.detail, event.grade)))
    yield entry("event", f"{event.kind} {event.transition}, {about}{f' ({more})' if more else ''}")
    since = "" if event.onset is None else f", since {utc(event.onset)}"
    yield entry("when", f"{utc(event.time)}{since}")
    yield entry("id", event.id)
    yield entry("message", event.message)
    shared = list(told(event))
    for name, text in shared:
        yield entry(name, text)
    if not shared:
        yield entry("evidence", "none was kept with this event: an older version told it")
    for k, (name, text) in enumerate(numbers(event)):
        yield entry("" if k else "numbers", f"{name}: {text}")
    if columns is not None and "normalised" in columns and (shape := sparkline(columns["normalised"])).strip():
        yield entry("course", f"{shape} normalised dP")


def entry(name: str, text: str) -> str:
    return wrapped(f"{name:<{MARGIN}}", text, " " * MARGIN)


# ---- finding the event


def chosen(wanted: str, source: Source) -> Event:
    """The event with that id, or the only one whose id or time holds it."""
    exact = [e for e in source.events if e.id == wanted]
    fitting = exact or [e for e in source.events if wanted in e.id or to_rfc3339(e.time).startswith(wanted)]
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        listed = listing(fitting)
        raise InputError(f"{wanted}: {len(fitting)} events of {source.name} fit; accepted: one of their ids\n{listed}")
    if not source.events:
        raise InputError(f"{wanted}: {source.name} holds no events")
    near = difflib.get_close_matches(wanted, [e.id for e in source.events], LISTED, 0.6)
    shown = [e for e in source.events if e.id in near] or list(source.events)[-LISTED:]
    which = "the nearest" if near else "the last ones"
    raise InputError(f"{wanted}: no event of {source.name} has this in its id or time; accepted: an id or a part that "
                     f"only one has; {which} are\n{listing(shown)}")


def listing(events: Iterable[Event]) -> str:
    shown = list(events)
    more = len(shown) - LISTED
    rows = [f"  {e.id}  ({to_rfc3339(e.time)})" for e in shown[:LISTED]]
    return "\n".join(rows + ([f"  and {more} more"] if more > 0 else []))


def candidates(reader: Reader | FleetReader, wanted: str) -> list[Event]:
    """Events of the store that may be meant: those whose id or time holds the text, else the newest."""
    found = reader.events_like(wanted, limit=1000)
    at = parse_rfc3339(wanted)
    if not found and isinstance(at, int):
        found = reader.events(start=at, end=at + 1_000_000_000, limit=1000)
    return list(reversed(found or reader.events(limit=1000)))


def read_events(path: Path) -> list[Event]:
    """The events of a replay. Raises InputError with the line that cannot be read."""
    if not path.is_file():
        raise InputError(f"{path}: there is no such file; accepted for --from: a folder that `replay --out` wrote")
    events = []
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
        try:
            events.append(event_of(json.loads(line)))
        except (ValueError, KeyError, TypeError):
            raise InputError(f"{path}:{number}: is no event; accepted: what `replay` writes, one object a line"
                             ) from None
    return events


def event_of(told: dict[str, Any]) -> Event:
    """The event that an object of events.jsonl stands for."""
    at, onset = parse_rfc3339(told["time"]), told.get("onset")
    begun = parse_rfc3339(onset) if onset is not None else None
    if not isinstance(at, int) or isinstance(begun, str):
        raise ValueError("time")
    return Event(
        time=at, skid=told["skid"], kind=told["kind"], transition=Transition(told["transition"]),
        message=told["message"], vessel=told.get("vessel"), signal=told.get("signal"), detail=told.get("detail"),
        grade=told.get("grade"), value=told.get("value"), unit=told.get("unit"), onset=begun,
        evidence=dict(told.get("evidence") or {}),
    )  # fmt: skip
