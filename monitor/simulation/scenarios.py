"""The scenarios by name, and how to make a recording of one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from difflib import get_close_matches
from pathlib import Path

import numpy as np

from monitor.errors import InputError
from monitor.simulation.families import breaches, changeouts, loading, service, signals
from monitor.simulation.families.setting import ANY, Ask
from monitor.simulation.site import Wishes
from monitor.simulation.story import Recording
from monitor.simulation.write import write

Family = Callable[[np.random.Generator, Ask], Recording]

_FAMILIES: dict[str, Family] = {
    "plain-loading": loading.plain_loading,
    "quiet-week": service.quiet_week,
    "torn-in-service": breaches.torn_in_service,
    "decoys": breaches.decoys,
    "good-changeouts": changeouts.good_changeouts,
    "bad-changeout": changeouts.bad_changeout,
    "breach-after-restart": breaches.breach_after_restart,
    "closure-seep": changeouts.closure_seep,
    "signal-faults": signals.signal_faults,
    "surge": signals.surge,
    "flow-blocked": signals.flow_blocked,
    "standby-duty": changeouts.standby_duty,
    "other-units": signals.other_units,
    "demand-swings": loading.demand_swings,
    "historian-export": signals.historian_export,
    "normal-service": service.normal_service,
    "headers-only": signals.headers_only,
    "dp-only": signals.dp_only,
    "lagging-clocks": signals.lagging_clocks,
    "passing-valve": changeouts.passing_valve,
}


def scenarios() -> dict[str, str]:
    """Name of each scenario -> what happens in it, in one line."""
    return {name: (family.__doc__ or "").strip().splitlines()[0] for name, family in _FAMILIES.items()}


def generate(
    name: str, seed: int, *, days: float | None = None, instruments: str | None = None, wishes: Wishes = ANY
) -> Recording:
    """A recording of a scenario, in memory. The same arguments give the same recording.

    days: length, else the scenario's own. instruments: letters as in `Wishes`. InputError for an unknown name.
    """
    if name not in _FAMILIES:
        near = get_close_matches(name, _FAMILIES, 1)
        hint = f"; did you mean {near[0]}" if near else ""
        raise InputError(f"no scenario {name!r}{hint}. Accepted: {', '.join(_FAMILIES)}")
    if days is not None and not 0.05 <= days <= 400:
        raise InputError(f"days: found {days:g}; accepted: 0.05 to 400")
    rng = np.random.default_rng([seed, list(_FAMILIES).index(name)])
    asked = replace(wishes, instruments=instruments or wishes.instruments)
    return _FAMILIES[name](rng, Ask(seed=seed, days=days, wishes=asked))


def simulate(
    name: str,
    out: Path,
    seed: int,
    *,
    days: float | None = None,
    instruments: str | None = None,
    wishes: Wishes = ANY,
) -> None:
    """Writes a recording of a scenario with its configuration, labels and truth to the folder `out`."""
    write(generate(name, seed, days=days, instruments=instruments, wishes=wishes), out)
