"""`bagwright export`: readings, minutes, events and the rest of the store as Parquet by day."""

from __future__ import annotations

from collections import Counter
from datetime import date, timedelta
from pathlib import Path

from monitor.commands.common import choose_skid, load_settings, say
from monitor.commands.page import open_reader
from monitor.errors import InputError
from monitor.store import Reader

MOST_DAYS = 40_000


def run_export(config: Path, out: Path, *, skid: str | None, first: str | None, last: str | None) -> None:
    """Without dates: each day that is over and not in the folder yet."""
    from monitor.export.parquet import export

    settings = load_settings(config)
    chosen = [choose_skid(settings, skid, config)] if skid is not None else list(settings.skids)
    asked = _asked(first, "--from"), _asked(last, "--to")
    if out.exists() and not out.is_dir():
        raise InputError(f"--out {out}: is no folder; accepted: a folder, or a new one")
    with open_reader(Path(settings.store.path)) as reader:
        known = set(reader.skids())
        names = [s.id for s in chosen if s.id in known]
        days = _days(reader, names, *asked)
        count: Counter[str] = Counter()
        for written in export(reader, names, out, days, again=first is not None or last is not None):
            count[written.path.relative_to(out).parts[0]] += written.rows
    rows = ", ".join(f"{name} {number:,}" for name, number in sorted(count.items()))
    span = f"{days[0]} to {days[-1]}" if days else "no day that is over"
    say(f"{span}: {rows or 'nothing new'}; files in {out}")


def _asked(text: str | None, option: str) -> date | None:
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise InputError(f"{option} {text}: no day; accepted: as 2026-05-01, in UTC") from None


def _days(reader: Reader, skids: list[str], first: date | None, last: date | None) -> list[date]:
    """From the oldest to the last day that is over, or as asked, but none without a reading beyond the newest."""
    from monitor.export.parquet import day_of

    newest, oldest = reader.newest(), reader.oldest(skids)
    if newest is None or oldest is None:
        return []
    begin = max(first or day_of(oldest), day_of(oldest))
    end = day_of(newest) - timedelta(days=1) if last is None else min(last, day_of(newest))
    if first is not None and last is not None and first > last:
        raise InputError(f"--from {first} is after --to {last}")
    return [begin + timedelta(days=n) for n in range(min((end - begin).days + 1, MOST_DAYS))]
