"""`bagwright backup` and `bagwright restore`."""

from __future__ import annotations

from pathlib import Path

from monitor.commands.common import load_settings, say
from monitor.commands.wording import size


def run_backup(config: Path, copy: Path) -> None:
    from monitor.store.backup import back_up

    settings = load_settings(config)
    written = back_up(Path(settings.store.path), copy)
    say(f"{copy}: {size(written)}, checked; `bagwright restore` puts it back")


def run_restore(config: Path, copy: Path) -> None:
    from monitor.store.backup import restore

    settings = load_settings(config)
    before = restore(copy, Path(settings.store.path))
    kept = f"; what was there before is {before}" if before else ""
    say(f"{settings.store.path}: as it was when {copy} was made{kept}")
