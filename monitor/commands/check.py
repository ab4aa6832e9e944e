"""`bagwright check`."""

from __future__ import annotations

from pathlib import Path

from monitor.commands.common import load_settings, say, warn


def run_check(path: Path) -> None:
    from monitor.commands.commissioning import commissioning
    from monitor.commands.rationalisation import rationalisation_lines
    from monitor.config import describe, warnings

    settings = load_settings(path)
    say(describe(settings))
    for sentence in warnings(settings):
        warn(f"warning: {sentence}")
    for skid in settings.skids:
        for line in rationalisation_lines(skid):
            say(line)
    for skid in settings.skids:
        for line in commissioning(skid):
            say(line)
    say(f"{path}: no fault found")
