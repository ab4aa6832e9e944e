"""From true values, one a second, to the rows of a recording: when what was sampled, lost, late or repeated."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from monitor.compiled import allocating as compiled
from monitor.model import Role
from monitor.simulation.instruments import FAILED_HIGH, FAILED_LOW, Transmitter
from monitor.simulation.site import Site

Array = npt.NDArray[np.float64]
NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Style:
    """How a site's readings are recorded."""

    sharing: str = "shared"       # stamps: "shared" by all, "groups" (pressures, the rest), or each its "own"
    interval: float = 1.0         # s, of pressures
    slow_interval: float = 1.0    # s, of temperature and, in groups, flow
    jitter: float = 0.03          # standard deviation, share of the interval
    lost: float = 0.002           # share of samples that never came
    late: float = 0.0             # share of rows written up to 15 s after their turn
    repeated: float = 0.0         # share of rows written twice
    stray: float = 1.0            # lone wild readings a signal and day
    epoch: bool = False           # times as seconds since 1970
    on_change: bool = False       # reported on change, long layout
    deadband: float = 1.0         # of on-change reporting, in steps of resolution
    heartbeat: float = 90.0       # longest silence of on-change reporting [s]
    zone: str | None = None       # local time without offset in this zone
    words: float = 0.0            # share of values replaced by a word that says they are bad
    renamed: bool = False         # columns have names of their own, mapped by replay arguments
    clocks: tuple[tuple[str, float], ...] = ()    # signals whose stamps are late by so many seconds; early below 0


@dataclass(frozen=True, slots=True)
class Fault:
    """One transmitter's fault from `begin` to `end` [s]. size: zero shift or spike height, in its unit."""

    kind: str                     # stale, frozen, out-of-range, swapped, zero-shift, spikes
    signal: str
    begin: float
    end: float
    size: float = 0.0
    other: str = ""               # of a swap


@dataclass(slots=True)
class Group:
    """Signals that share their stamps: times in ns, values (times, signals) in their units, NaN where none came."""

    signals: list[int]
    time: npt.NDArray[np.int64]
    value: Array
    words: dict[tuple[int, int], str] = field(default_factory=dict)


def draw_style(rng: np.random.Generator, site: Site) -> Style:
    """A recorder's habits."""
    sharing = str(rng.choice(["shared", "shared", "own", "groups"]))
    slow = site.interval if sharing == "shared" else max(site.interval, float(rng.choice([site.interval, 5.0])))
    return Style(
        sharing=sharing, interval=site.interval, slow_interval=slow, lost=float(rng.choice([0.001, 0.002, 0.004])),
        late=float(rng.choice([0.0, 0.0, 0.002, 0.005])), repeated=float(rng.choice([0.0, 0.001, 0.003])),
        epoch=bool(rng.random() < 0.3),
    )  # fmt: skip


def sample(
    site: Site, style: Style, true: dict[str, Array], faults: list[Fault], gaps: list[tuple[float, float]],
    start_ns: int, rng: np.random.Generator,
) -> list[Group]:
    """Groups of samples. true: signal id -> SI values one a second; gaps: when nothing was recorded [s]."""
    seconds = next(iter(true.values())).size
    true = _swapped(true, faults)
    groups = []
    for signals, interval in _sharing(site, style):
        at = _stamps(seconds, interval, style.jitter, rng)
        at = at[~np.any([(at >= a) & (at < b) for a, b in gaps], axis=0)] if gaps else at
        value = np.empty((at.size, len(signals)))
        for j, s in enumerate(signals):
            value[:, j] = _measure(site.transmitters[s], true[site.transmitters[s].id], at, faults, style, rng)
        group = Group(signals, start_ns + np.round(at * 1000).astype(np.int64) * 1_000_000, value)
        value[rng.random(value.shape) < style.lost] = np.nan
        _silence(site, group, at, faults)
        groups.append(group)
    if style.on_change:
        groups = [_on_change(site, style, group, rng) for group in groups]
    return groups


def _sharing(site: Site, style: Style) -> list[tuple[list[int], float]]:
    """Which signals share stamps, and how often they come."""
    everything = list(range(len(site.transmitters)))
    slow = [i for i in everything if site.transmitters[i].role in (Role.TEMPERATURE, Role.FLOW, Role.TURBIDITY)]
    if style.sharing == "shared":
        return [(everything, style.interval)]
    if style.sharing == "groups":
        fast = [i for i in everything if i not in slow]
        return [(fast, style.interval)] + ([(slow, style.slow_interval)] if slow else [])
    warm = (Role.TEMPERATURE, Role.TURBIDITY)
    return [([i], style.slow_interval if site.transmitters[i].role in warm else style.interval) for i in everything]


def _stamps(seconds: int, interval: float, jitter: float, rng: np.random.Generator) -> Array:
    """Sampling instants [s], rising."""
    at = np.arange(rng.uniform(0.05, 0.95) * interval, seconds - 1, interval)
    return np.sort(at + np.clip(jitter * interval * rng.standard_normal(at.size), -0.2 * interval, 0.2 * interval))


def _measure(
    t: Transmitter, true: Array, at: Array, faults: list[Fault], style: Style, rng: np.random.Generator
) -> Array:
    """What one transmitter says at instants `at`, with its own faults but swaps and silences."""
    late = dict(style.clocks).get(t.id, 0.0)
    seen = np.interp(at - late, np.arange(true.size), t.respond(true))
    mine = [f for f in faults if f.signal == t.id]
    for f in mine:
        if f.kind == "zero-shift":
            seen = seen + np.where((at >= f.begin) & (at < f.end), f.size, 0.0)
    if t.role in (Role.LEAK_SENSOR, Role.PUMP_RUNNING):
        return np.round(seen)
    said = t.convert(seen, rng)
    stray = rng.random(at.size) < style.stray * style.interval / 86_400
    if t.role in (Role.INLET_PRESSURE, Role.OUTLET_PRESSURE):
        wild = rng.choice([-1, 1], at.size) * rng.uniform(0.02, 0.12, at.size) * t.span
        said = np.where(stray, np.round(np.clip(said + wild, t.low, t.high), t.decimals), said)
    for f in mine:
        said = _falsify(t, said, at, f, rng)
    return said


def _falsify(t: Transmitter, said: Array, at: Array, fault: Fault, rng: np.random.Generator) -> Array:
    inside = (at >= fault.begin) & (at < fault.end)
    if not inside.any():
        return said
    if fault.kind == "frozen":
        return np.where(inside, said[np.argmax(inside)], said)
    if fault.kind == "out-of-range":
        level = FAILED_HIGH if fault.size > 0 else FAILED_LOW if fault.size == 0 else -0.25
        return np.where(inside, round(t.low + level * t.span, t.decimals), said)
    if fault.kind == "spikes":
        often = max(1 / 25, float(np.median(np.diff(at))) / 45)  # at least a dozen in ten minutes
        hit = inside & (rng.random(at.size) < often)
        height = fault.size * rng.choice([-1, 1], at.size) * rng.uniform(0.8, 1.6, at.size)
        low, high = t.low - 0.0125 * t.span, t.low + 1.03125 * t.span
        return np.where(hit, np.round(np.clip(said + height, low, high), t.decimals), said)
    return said


def _swapped(true: dict[str, Array], faults: list[Fault]) -> dict[str, Array]:
    """True values as they reach the tags where two transmitters were connected the wrong way round."""
    for f in (f for f in faults if f.kind == "swapped"):
        part = slice(max(round(f.begin), 0), round(f.end))
        one, two = true[f.signal].copy(), true[f.other].copy()
        one[part], two[part] = true[f.other][part], true[f.signal][part]
        true = true | {f.signal: one, f.other: two}
    return true


def _silence(site: Site, group: Group, at: Array, faults: list[Fault]) -> None:
    for f in faults:
        for j, s in enumerate(group.signals):
            if f.kind == "stale" and f.signal == site.transmitters[s].id:
                group.value[(at >= f.begin) & (at < f.end), j] = np.nan


@compiled
def changes(time, value, deadband, heartbeat):  # type: ignore[no-untyped-def]
    """Which samples are reported on change: moved by more than `deadband`, or `heartbeat` [ns] after the last."""
    keep = np.zeros(value.size, np.bool_)
    last, said = -(2**62), np.nan
    for k in range(value.size):
        if np.isnan(value[k]):
            continue
        if time[k] - last >= heartbeat or not abs(value[k] - said) <= deadband:
            keep[k], last, said = True, time[k], value[k]
    return keep


WORDS = ("Bad", "I/O Timeout", "No Data", "Comm Fail")


def _on_change(site: Site, style: Style, group: Group, rng: np.random.Generator) -> Group:
    """Leaves what an on-change reporter sends and puts words in the place of some values."""
    for j, s in enumerate(group.signals):
        t = site.transmitters[s]
        band = style.deadband * t.resolution * 1.01
        column = np.ascontiguousarray(group.value[:, j])
        keep = changes(group.time, column, band, round(style.heartbeat * NS))
        group.value[~keep, j] = np.nan
    for k, j in zip(*np.nonzero((rng.random(group.value.shape) < style.words) & ~np.isnan(group.value)), strict=True):
        group.words[int(k), int(j)] = str(rng.choice(WORDS))
    return group


def arrival_order(groups: list[Group], style: Style, rng: np.random.Generator) -> list[tuple[int, int]]:
    """(group, row) in the order of the file: late rows after their turn, some rows twice."""
    owner = np.concatenate([np.full(g.time.size, i) for i, g in enumerate(groups)])
    row = np.concatenate([np.arange(g.time.size) for g in groups])
    arrival = np.concatenate([g.time for g in groups]).astype(np.float64)
    used = np.concatenate([~np.all(np.isnan(g.value), axis=1) for g in groups])
    arrival += np.where(rng.random(row.size) < style.late, rng.uniform(3, 15, row.size) * NS, 0.0)
    rows, when = np.flatnonzero(used), arrival[used]
    again = rng.random(rows.size) < style.repeated
    delay = rng.choice([0.0, 1.0, 4.0], rows.size) * style.interval * NS
    rows, when = np.concatenate([rows, rows[again]]), np.concatenate([when, (when + delay)[again]])
    return [(int(owner[k]), int(row[k])) for k in rows[np.argsort(when, kind="stable")]]
