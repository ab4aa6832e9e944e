"""What every registered detector promises, compiled and not. The registry names those that cannot, with the reason."""

from __future__ import annotations

import importlib
import inspect
import json
import os
import pkgutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.conditioning.times import FaultTimes
from monitor.config import defaults_for
from monitor.detectors import registry
from monitor.detectors.registry import EXEMPT, STEP_AT, Entry, entries, example_skid, scaled
from monitor.engine.row_tier import RowTier
from monitor.engine.sequencer import Sequencer
from monitor.model import NS, Quality, Rows

ROOT = Path(__file__).parents[2]
SEED = 11
ALL = {entry.name: entry for entry in entries()}
STEPS = {name: entry.step(np.random.default_rng(SEED)) for name, entry in ALL.items()}


def meets(prop: str) -> pytest.MarkDecorator:
    """Entries that a property is claimed for."""
    return pytest.mark.parametrize("name", [n for n, e in ALL.items() if prop not in e.skips])


def told(rows: Rows, entry: Entry, *, factor: float = 1.0, cut: int | None = None) -> list[str]:
    """The detector's own emissions; with `cut`, from two tiers of which the second starts from the first's bytes."""
    parts = [rows] if cut is None else [rows.take(slice(0, cut)), rows.take(slice(cut, None))]
    tier, out = RowTier([example_skid(factor, own_pressure=entry.own_pressure)]), []
    for k, part in enumerate(parts):
        if k:
            tier = restored(tier, factor, entry)
        out += [e for e in tier.run(np.zeros(part.size, np.int32), part) if entry.own(e)]
    lines = [f"{e.code} {e.signal} {e.detail} {e.time} {e.onset}" for e in out]
    return lines if factor != 1.0 else [f"{line} {e.value:.9g}" for line, e in zip(lines, out, strict=True)]


def restored(tier: RowTier, factor: float, entry: Entry) -> RowTier:
    """A fresh tier whose records hold the bytes of another's."""
    fresh = RowTier([example_skid(factor, own_pressure=entry.own_pressure)])
    for name, part in tier.state._asdict().items():
        mine = getattr(fresh.state, name)
        mine[...] = np.frombuffer(part.tobytes(), part.dtype).reshape(part.shape)
    return fresh


def times(lines: list[str]) -> list[int]:
    return [int(line.split()[3]) for line in lines]


def compiles(module: str) -> bool:
    return "monitor.compiled" in inspect.getsource(importlib.import_module(module))


def test_every_detector_module_is_registered_or_exempt_for_a_reason():
    names = set()
    for package in ("monitor.detectors", "monitor.conditioning", "monitor.alarms"):
        folder = importlib.import_module(package).__path__
        names |= {f"{package}.{m.name}" for m in pkgutil.iter_modules(folder)}
    # Of what is done with alarms only the delays belong to the row tier.
    names = {name for name in names if not name.startswith("monitor.alarms.") or compiles(name)}
    assert names - {e.module for e in entries()} - set(EXEMPT) == set()
    assert set(EXEMPT) <= names
    assert all(EXEMPT.values())


@meets("awake")
@pytest.mark.parametrize("seed", range(3))
def test_what_is_to_be_found_is_told_within_the_declared_delay_and_not_before(name, seed):
    entry = ALL[name]
    when = times(told(entry.step(np.random.default_rng(seed)), entry))
    assert when
    assert 0 <= (when[0] - registry.START) / NS - STEP_AT <= entry.within_s


@meets("quiet")
@settings(max_examples=8, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_steady_service_and_a_constant_alarm_nothing(name, seed):
    entry = ALL[name]
    rows = entry.quiet(np.random.default_rng(seed))
    assert told(rows, entry) == []
    constant = np.array([2.4, 2.0, 40.0, 0.0, 2.4])
    assert told(rows._replace(value=constant[rows.signal]), entry) == []


@meets("split")
@settings(max_examples=15, deadline=None)
@given(st.floats(0, 1))
def test_a_restart_from_the_bytes_of_the_record_changes_nothing(name, where):
    rows = STEPS[name]
    assert told(rows, ALL[name], cut=round(where * rows.size)) == told(rows, ALL[name])


@meets("prefix")
@settings(max_examples=10, deadline=None)
@given(st.floats(0.05, 0.95), st.integers(0, 2**32 - 1))
def test_later_readings_never_change_what_was_told(name, where, seed):
    rows = STEPS[name]
    cut = round(where * rows.size)
    wild = np.random.default_rng(seed).uniform(-1, 70, rows.size)
    other = rows._replace(value=np.where(np.arange(rows.size) < cut, rows.value, wild))
    # A second is judged once a row comes from after it.
    sure = int(rows.time[cut]) - NS
    kept = [[line for line, t in zip(x, times(x), strict=True) if t <= sure]
            for x in (told(rows, ALL[name]), told(other, ALL[name]))]  # fmt: skip
    assert kept[0] == kept[1]


def with_junk(rows: Rows, rng: np.random.Generator) -> Rows:
    """Service with NaN, infinity, bad quality, repeats and stragglers; then an hour without a row; then `rows`."""
    before = registry.rows_of(registry.service(rng, 300))
    value, quality = before.value.copy(), before.quality.copy()
    for junk in (np.nan, np.inf, -np.inf):
        value[rng.integers(0, value.size, 6)] = junk
    quality[~np.isfinite(value)] = Quality.BAD
    quality[rng.integers(0, value.size, 6)] = Quality.BAD
    before = Rows(before.time - 3900 * NS, before.signal, value, quality)
    again = before.take(np.sort(rng.integers(0, before.size, 20)))
    order = np.argsort(np.concatenate([np.arange(before.size), np.arange(20) * 40 + 25]), kind="stable")
    mixed = Rows.concat([before, again]).take(order)
    ready, _ = Sequencer(lateness=2 * NS).push(Rows.concat([mixed, rows]))
    return ready


@meets("bad input")
@pytest.mark.parametrize("seed", range(3))
def test_bad_readings_repeats_and_a_gap_leave_it_awake(name, seed):
    entry = ALL[name]
    rows = with_junk(entry.step(np.random.default_rng(seed)), np.random.default_rng(seed + 100))
    late = [t for t in times(told(rows, entry)) if t >= registry.START + STEP_AT * NS]
    assert late
    assert (late[0] - registry.START) / NS - STEP_AT <= entry.within_s


@meets("scale")
@pytest.mark.parametrize("factor", [8.0, 0.125])
def test_pressures_and_limits_times_a_power_of_two_give_the_same(name, factor):
    rows = STEPS[name]
    plain = [line.rpartition(" ")[0] for line in told(rows, ALL[name])]
    assert plain
    assert told(scaled(rows, factor), ALL[name], factor=factor) == plain


def test_the_state_does_not_grow():
    tier = RowTier([example_skid(own_pressure=True)])
    size = sum(part.nbytes for part in tier.state)
    for rows in STEPS.values():
        list(tier.run(np.zeros(rows.size, np.int32), rows))
        assert sum(part.nbytes for part in tier.state) == size
    assert tier.state.health.itemsize <= 600
    assert tier.state.pair.itemsize + tier.state.zero[0].nbytes < 1024


def test_times_are_readable_under_their_names_and_nonsense_is_refused_by_name():
    extra = defaults_for("signal-fault").extra
    assert set(extra) == set(FaultTimes.__dataclass_fields__)
    times_of = FaultTimes.of(extra)
    for key, value in extra.items():
        assert getattr(times_of, key) == value
        for wrong in (0.0, -1.0, float("inf"), float("nan")):
            with pytest.raises(ValueError, match=key):
                FaultTimes.of(extra | {key: wrong})


@pytest.mark.timeout(600)
def test_without_compilation_the_same_is_told():
    code = (
        "import json\n"
        "from tests.detectors.test_properties import ALL, STEPS, told\n"
        "print(json.dumps({n: told(STEPS[n], e) for n, e in ALL.items()}))\n"
    )
    env = os.environ | {"NUMBA_DISABLE_JIT": "1", "PYTHONPATH": str(ROOT)}
    out = subprocess.run([sys.executable, "-c", code], env=env, cwd=ROOT, capture_output=True, text=True, timeout=580)
    assert out.returncode == 0, out.stderr
    plain = json.loads(out.stdout)
    for name, entry in ALL.items():
        compiled = told(STEPS[name], entry)
        assert [line.split()[:5] for line in plain[name]] == [line.split()[:5] for line in compiled]
