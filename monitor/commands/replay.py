"""`bagwright replay`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.commands.common import choose_skid, load_engine, load_settings, say, warn
from monitor.commands.progress import CHUNK, Stopping, progress_bar
from monitor.commands.wording import number
from monitor.errors import InputError

if TYPE_CHECKING:
    from monitor.replay.run import Summary


def run_replay(recordings: Sequence[Path], config: Path, out: Path, *, timezone: str | None, mapping: Sequence[str],
               dates: str | None, skid_id: str | None, history: Sequence[Path] = (),
               changes: Sequence[str] = ()) -> None:
    skid = choose_skid(load_settings(config), skid_id, config)
    if changes:
        from monitor.config.overrides import template_of, what_if

        skid = what_if(template_of(config, skid.id), changes)
    names = parse_mapping(mapping)
    from monitor.ingest.recording import open_recordings

    source = open_recordings(recordings, skid, timezone=timezone, mapping=names, dates=dates, chunk_rows=CHUNK)
    load_engine()
    stopping = Stopping()
    from monitor.replay.memory import lives_in
    from monitor.replay.run import replay_history

    with progress_bar() as progress:
        summary = replay_history(source, skid, out, history=lives_in(history),
                                 progress=stopping.checked(progress))
    tell(summary, out)


def parse_mapping(pairs: Sequence[str]) -> dict[str, str]:
    names: dict[str, str] = {}
    for pair in pairs:
        column, _, signal = pair.rpartition("=")
        if not column.strip() or not signal.strip():
            raise InputError(f"--map: found {pair}; accepted: COLUMN=SIGNAL, such as --map 'Tag 12=PT-101'")
        if names.setdefault(column, signal) != signal:
            raise InputError(f"--map: found {column} twice, for {names[column]} and {signal}; accepted: one of them")
    return names


def tell(summary: Summary, out: Path) -> None:
    for sentence in summary.warnings:
        warn(f"warning: {sentence}")
    say(f"readings  {number(summary.used)} used")
    if summary.rejected:
        say(f"set aside {number(summary.rejected.total())}, each with its reason in quarantine.csv: {reasons(summary)}")
    counts = Counter(f"{e.kind} {e.transition}" for e in summary.events)
    say("events    " + (", ".join(f"{number(n)} {name}" for name, n in sorted(counts.items())) or "none"))
    say(f"written   {out / 'report.html'} to look at; events.jsonl and tables beside it")


def reasons(summary: Summary) -> str:
    """What was set aside, and why."""
    return ", ".join(f"{number(n)} {reason}" for reason, n in summary.rejected.most_common())
