"""What several commands share."""

from __future__ import annotations

import sys
from pathlib import Path

from monitor.errors import InputError
from monitor.settings import Settings
from monitor.skid import SkidSettings


def say(sentence: str) -> None:
    """One line for the person at the terminal, at once."""
    print(sentence, flush=True)


def warn(sentence: str) -> None:
    print(sentence, file=sys.stderr, flush=True)


def load_settings(path: Path) -> Settings:
    from monitor.config import load

    return load(path)


def choose_skid(settings: Settings, skid_id: str | None, path: Path) -> SkidSettings:
    """The one skid of a configuration, or the one named."""
    known = ", ".join(s.id for s in settings.skids)
    if skid_id is None:
        if len(settings.skids) > 1:
            raise InputError(f"{path}: has {len(settings.skids)} skids; choose one with --skid: {known}")
        return settings.skids[0]
    for skid in settings.skids:
        if skid.id == skid_id:
            return skid
    raise InputError(f"--skid {skid_id}: {path} has no such skid; accepted: {known}")


def load_engine() -> None:
    """Import the compiled parts, and say so where that will take long."""
    from monitor.compiled import is_kept
    from monitor.engine.by_address import run_at

    if not is_kept(run_at):
        warn("compiling the engine for this machine: once, half a minute or more ...")
