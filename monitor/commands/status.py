"""`bagwright status`."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from monitor.commands.common import load_settings, say
from monitor.commands.page import open_reader


def run_status(config: Path, *, as_json: bool) -> None:
    settings = load_settings(config)
    with open_reader(Path(settings.store.path)) as reader:
        status = reader.status()
        quarantine = reader.quarantine_counts()
    if as_json:
        counts = [c._asdict() for c in quarantine]
        say(json.dumps(status | {"quarantine_counts": counts}, indent=1, default=str))
        return
    for line in lines(status):
        say(line)
    for count in quarantine:
        say(f"quarantine  {count.skid or '-'}  {count.signal or '-'}  {count.reason}: {count.number}")


def lines(values: Mapping[str, Any], indent: str = "") -> list[str]:
    """Nested names and values, one a line."""
    out: list[str] = []
    for name, value in values.items():
        if isinstance(value, Mapping):
            out.append(f"{indent}{name}")
            out.extend(lines(value, indent + "  "))
        else:
            out.append(f"{indent}{name:<24} {value if value is not None else '-'}")
    return out
