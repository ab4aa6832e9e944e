"""`bagwright simulate`."""

from __future__ import annotations

from pathlib import Path

from monitor.commands.common import say
from monitor.errors import InputError


def run_simulate(scenario: str | None, out: Path | None, *, seed: int, days: float | None) -> None:
    from monitor.simulation.scenarios import scenarios, simulate

    known = scenarios()
    if scenario is None:
        width = max(map(len, known))
        for name, text in known.items():
            say(f"{name:<{width}}  {text}")
        return
    if scenario not in known:
        raise InputError(f"scenario {scenario} is not known; accepted: {', '.join(known)}")
    if out is None:
        raise InputError("simulate writes into a folder: give --out DIR")
    simulate(scenario, out, seed, days=days)
    say(f"{out}: recording, labels.json, truth and skid.toml of {scenario}, seed {seed}")
