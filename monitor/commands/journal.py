"""`bagwright journal`: what moved the alarms, and what people wrote."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path

from monitor.commands.common import load_settings, say
from monitor.commands.stored import open_stored
from monitor.commands.wording import wrapped
from monitor.model import Entry
from monitor.times import to_rfc3339

INDENT = " " * 21


def run_journal(config: Path, *, skid: str | None, start: int | None, limit: int, people: bool, as_json: bool) -> None:
    settings = load_settings(config)
    with open_stored(settings) as reader:
        entries = reader.journal(skid, start, limit=limit, steps=PEOPLE if people else None)
    if as_json:
        for entry in reversed(entries):
            say(json.dumps(asdict(entry) | {"time": to_rfc3339(entry.time)}, ensure_ascii=False))
        return
    for line in lines(entries):
        say(line)


PEOPLE = ("ack", "reset", "shelve", "unshelve", "out-of-service", "in-service", "note", "changed", "inspection",
          "refused", "trim-approve", "trim-undo")


def lines(entries: Sequence[Entry]) -> Iterator[str]:
    """Oldest first, as one reads."""
    for e in reversed(entries):
        where = "/".join(part for part in (e.skid, e.kind, e.signal or e.vessel) if part)
        change = f" ({e.before} -> {e.after})" if e.before != e.after and e.after else ""
        by = f" by {e.who}" + (f" ({e.via})" if e.via else "") if e.who else ""
        why = f": {e.why}" if e.why else ""
        yield wrapped(f"{to_rfc3339(e.time)[:19]}Z ", f"{where or 'all'}  {e.step}{change}{by}{why}", INDENT)
    if not entries:
        yield "nothing yet"
