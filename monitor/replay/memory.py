"""What earlier replays remember: their elements.jsonl, read for `--history`."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path

import msgspec

from monitor.engine.engine import Engine
from monitor.errors import InputError
from monitor.forecast.life import ElementLife, read, written
from monitor.model import Fact

ELEMENTS = "elements.jsonl"


def lives_in(folders: Sequence[Path]) -> list[ElementLife]:
    """Lives that earlier replays wrote. InputError for a folder without them, or a line that is none."""
    return [life for folder in folders for life in _lives(folder)]


def _lives(folder: Path) -> Iterator[ElementLife]:
    path = folder if folder.is_file() else folder / ELEMENTS
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"--history: {path} cannot be read ({_reason(error)}); accepted: a folder that an earlier "
                         f"replay wrote, with {ELEMENTS} in it") from None
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip():
            continue
        try:
            yield read(json.loads(line))
        except (ValueError, TypeError, msgspec.ValidationError) as error:
            raise InputError(f"--history: {path}, line {number}: {error}; "
                             "accepted: lines as replay writes them") from None


def _reason(error: Exception) -> str:
    return (error.strerror or str(error)).lower() if isinstance(error, OSError) else "it is not text"


def recall(engine: Engine, lives: Sequence[ElementLife]) -> str:
    """Give them to the engine's skid; a sentence for a person where some could not be used, else empty."""
    skid = engine.skids[0].id
    facts = [Fact(skid, f"life/{k}", written(life), k) for k, life in enumerate(lives)]
    unusable = engine.recall(0, facts)
    if not unusable:
        return ""
    return (f"--history: {len(unusable)} of {len(lives)} lives were left aside: of another part, without a loading "
            "curve, or by volume where this skid has hours (or the other way round)")
