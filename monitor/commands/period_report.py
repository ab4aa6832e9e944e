"""`bagwright report --out`: the report of a shift, a day or a month as a file."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from monitor.commands.common import load_settings, say
from monitor.commands.stored import open_stored
from monitor.errors import InputError, RunError
from monitor.times import parse_time

if TYPE_CHECKING:
    from monitor.web.data import Source

ENDINGS = (".html", ".pdf")


def write_period(config: Path, out: Path, *, period: str, at: str | None, timezone: str | None,
                 skid: str | None) -> None:
    """at: RFC 3339, a time in the period; None: the newest reading. Raises InputError, RunError."""
    from monitor.web.data import Source
    from monitor.web.period import gather

    if out.suffix.lower() not in ENDINGS:
        raise InputError(f"--out: found {out}; accepted: a file that ends in {' or '.join(ENDINGS)}")
    settings = load_settings(config)
    zone = _zone(timezone or settings.web.timezone)
    chosen = [s for s in settings.skids if skid in (None, s.id)]
    if not chosen:
        raise InputError(f"--skid: found {skid}; accepted: {', '.join(s.id for s in settings.skids)}")
    with open_stored(settings) as reader:
        source = Source(reader)
        found = gather(source, chosen, period, _newest(source) if at is None else _time(at), zone)
    if out.suffix.lower() == ".pdf":
        from monitor.web.period_pdf import as_pdf

        content = as_pdf(found)
    else:
        from monitor.web.period_page import alone

        content = alone(found).encode()
    _write(out, content)
    say(f"report in {out}")


def _newest(source: Source) -> int:
    """The newest reading, else the newest event."""
    return source.newest() or next((e.time for e in source.events(None, limit=1)), 0)


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise InputError(f"--timezone: found {name}; accepted: a name of the IANA time zone database, as Europe/Oslo"
                         ) from None


def _time(text: str) -> int:
    found = parse_time(text)
    if isinstance(found, str):
        raise InputError(f"--at: found {text} ({found}); accepted: RFC 3339, as 2026-03-01T06:00:00Z")
    return found


def _write(out: Path, content: bytes) -> None:
    """It takes its place only when it is whole."""
    try:
        handle, name = tempfile.mkstemp(dir=out.parent, prefix=out.name, suffix=".part")
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        os.chmod(name, 0o644)
        os.replace(name, out)
    except OSError as error:
        raise RunError(f"{out}: the report cannot be written: {error.strerror or error}") from error
