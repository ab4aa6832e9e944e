"""Transmitters that cannot be believed; surges; paths shut; exports in other units and layouts."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np

from monitor.model import Role
from monitor.simulation.families.breaches import torn_in_service
from monitor.simulation.families.changeouts import bad_changeout, good_changeouts
from monitor.simulation.families.loading import plain_loading
from monitor.simulation.families.service import days
from monitor.simulation.families.setting import Ask, setting
from monitor.simulation.plant import BACK, CONTROL_NONE, Record
from monitor.simulation.sampling import Fault, Style
from monitor.simulation.site import BAR
from monitor.simulation.story import Recording, Story

LIMITS = {"stale": 60, "frozen": 300, "out-of-range": 30, "swapped": 120, "spikes": 600}  # s, as the contract has them


def signal_faults(rng: np.random.Generator, ask: Ask) -> Recording:
    """Two to four faults, one after the other, each of one transmitter."""
    site, story, style = setting(rng, ask, 9, (6.5, 9))
    story.load_like(0.25, 0.7)
    story.due_in(story.seconds / 3600 * float(rng.uniform(1, 6)))
    start = story.between(0.7, 1.2)
    kinds = [str(k) for k in rng.permutation(["stale", "frozen", "out-of-range", "spikes", "swapped", "zero-shift"])]
    for kind in [k for k in kinds if k not in ("swapped", "zero-shift") or site.has("H")][:3]:
        lasting = float(rng.uniform(1000, 2600)) if kind != "spikes" else float(rng.uniform(1800, 3600))
        if start + lasting > story.seconds - 5400:
            break
        if kind == "zero-shift":
            start = _zero_shift(story, start)
        else:
            start = _fault(story, style, kind, start, lasting) + float(rng.uniform(1200, 3000))
    return story.tell(style, seed=ask.seed)


def _fault(story: Story, style: Style, kind: str, start: float, lasting: float) -> float:
    rng, site = story.rng, story.site
    able = [t for t in site.transmitters if t.role in _ABLE[kind]]
    t = able[int(rng.integers(len(able)))]
    size, other = 0.0, ""
    if kind == "spikes":
        size = t.span * float(rng.uniform(0.04, 0.12))
    elif kind == "out-of-range":
        size = float(rng.choice([-1, 0, 1]))
    elif kind == "swapped":
        t, other = site.transmitters[0], site.transmitters[1].id
    interval = style.interval if t.role not in (Role.TEMPERATURE,) else style.slow_interval
    story.faults.append(Fault(kind, t.id, start, start + lasting, size, other))
    within = LIMITS[kind] + 4 + 3 * max(interval, style.interval)
    story.labels.expect(start, "signal-fault", within, detail=kind, signal=t.id, until=start + lasting)
    if kind == "swapped":
        for k in ("element-breach", "flow-blocked"):
            story.labels.allow(k, start - 30, start + lasting + 120)
    return start + lasting


_PRESSURES = (Role.INLET_PRESSURE, Role.OUTLET_PRESSURE, Role.DIFFERENTIAL_PRESSURE)
_ABLE = {
    "stale": (*_PRESSURES, Role.FLOW, Role.TEMPERATURE), "frozen": (*_PRESSURES, Role.FLOW),
    "out-of-range": (*_PRESSURES, Role.FLOW, Role.TEMPERATURE), "spikes": _PRESSURES,
    "swapped": (Role.INLET_PRESSURE,),
}  # fmt: skip


def _zero_shift(story: Story, start: float) -> float:
    """A header's zero moves; a later stop of the pump shows it."""
    rng, site = story.rng, story.site
    pair = [t for t in site.transmitters if t.role in (Role.INLET_PRESSURE, Role.OUTLET_PRESSURE)]
    t = pair[int(rng.integers(2))]
    size = t.span * float(rng.choice([-1, 1]) * rng.uniform(0.006, 0.02))
    stop = start + float(rng.uniform(1800, 3600))
    again = story.stop_pump(stop, float(rng.uniform(1300, 2000)), relax=float(rng.uniform(0, 0.08)))
    story.faults.append(Fault("zero-shift", t.id, start, story.seconds, size))
    story.labels.decoy(start, stop, "zero shift, no breach")
    story.labels.allow("signal-fault", start + 5, story.seconds, detail="zero-shift")
    story.labels.expect(
        stop + 20, "signal-fault", 900, detail="zero-shift", signal=t.id, until=story.seconds,
        early_s=round(stop - start), size=round(abs(size), 3), signal_ok=[p.id for p in pair],
    )  # fmt: skip
    return again + 1500


def surge(rng: np.random.Generator, ask: Ask) -> Recording:
    """Slow pressure transients past the limit, and smaller ones."""
    asked = ask.or_wishes(interval=float(rng.choice([1, 1, 2])))
    asked = replace(asked, wishes=replace(asked.wishes, headroom=1.8))
    _, story, style = setting(rng, asked, 10, (4, 6))
    story.load_like(0.2, 0.7)
    story.due_in(story.seconds / 3600 * float(rng.uniform(1.2, 8)))
    pulses, start = [], story.between(0.7, 1.1)
    while start < story.seconds - 3600:
        height = float(rng.choice([rng.uniform(2.4, 3.6), rng.uniform(0.2, 0.9)])) * BAR
        rise, hold = float(rng.uniform(2, 10)), float(rng.uniform(3, 30))
        _pulse(story, start, height, rise, hold)
        pulses.append((start, start + 2 * rise + hold))
        start += float(rng.uniform(1500, 4000))
    return story.tell(style, seed=ask.seed, also=lambda record: _label_pulses(story, record, pulses))


def _pulse(story: Story, start: float, height: float, rise: float, hold: float) -> None:
    usual = story.site.back
    settled = usual + story.site.skid.system_curve * (0.95 * story.site.flow_ref) ** 2
    story.machine.at(start, lambda: story.machine.move(BACK, settled + height, rise))
    story.machine.at(start + rise + hold, lambda: story.machine.move(BACK, usual, rise))


def _label_pulses(story: Story, record: Record, pulses: list[tuple[float, float]]) -> None:
    """What each pulse came to at a header, against the settled levels before and after it."""
    for begin, end in pulses:
        a, b = round(begin), round(end)
        over = max(
            float(p[a : b + 5].max() - max(np.median(p[a - 120 : a - 5]), np.median(p[b + 60 : b + 200])))
            for p in (record.inlet, record.outlet)
        )
        if over > 1.75 * BAR and story.site.has("H"):      # what both headers do together, dP alone cannot show
            story.labels.expect(begin, "surge", 180, until=end, size=round(over / BAR, 2))
            story.labels.allow("surge", begin - 30, end + 200)
        elif over > 1.2 * BAR:
            story.labels.allow("surge", begin - 30, end + 200)
        else:
            story.labels.decoy(begin, end + 200, "small surge")


def flow_blocked(rng: np.random.Generator, ask: Ask) -> Recording:
    """All paths through the skid shut while the pump pushes; blockages outside it."""
    asked = ask.or_wishes(instruments=str(rng.choice(["HFT", "HFTV", "HF", "H"])), control=CONTROL_NONE)
    _, story, style = setting(rng, asked, 11, (4, 6))
    story.load_like(0.2, 0.7)
    story.due_in(story.seconds / 3600 * float(rng.uniform(1.2, 8)))
    start = story.between(0.7, 1.1)
    while start < story.seconds - 3600:
        lasting = float(rng.uniform(60, 900))
        if rng.random() < 0.65:
            _block_skid(story, style, start, lasting)
        else:
            story.machine.at(start, lambda: story.machine.throttle(1e7, 5))
            story.machine.at(start + lasting, lambda: story.machine.throttle(1.0, 8))
            story.labels.decoy(start, start + lasting + 120, "blocked outside the skid")
            story.labels.allow("flow-blocked", start, start + lasting + 120)
        story.labels.allow("surge", start - 30, start + lasting + 200)
        start += lasting + float(rng.uniform(2400, 4500))
    return story.tell(style, seed=ask.seed)


def _block_skid(story: Story, style: Style, start: float, lasting: float) -> None:
    """Every vessel's inlet (or outlet) valve is shut, one after the other."""
    rng, machine = story.rng, story.machine
    valve = machine.inlet_valve if rng.random() < 0.5 else machine.outlet_valve
    begin = start
    for i in range(machine.count):
        machine.at(begin, partial(valve, i, 0.0, 3.0))
        machine.at(start + lasting, partial(valve, i, 1.0, 4.0))
        shut, begin = begin + 4, begin + float(rng.uniform(0, 12))
    within, early = 30 + 3 * style.interval, round(shut - start + 30)
    story.labels.expect(shut, "flow-blocked", within, until=start + lasting, early_s=early)
    story.labels.allow("dp-limit", start - 30, start + lasting + 60)
    story.labels.allow("element-breach", start - 10, start + lasting + 60)


def other_units(rng: np.random.Generator, ask: Ask) -> Recording:
    """Another story in psi, US gpm and degF, or in kPa."""
    return _retold(rng, ask.or_wishes(units="other"), 14)


def historian_export(rng: np.random.Generator, ask: Ask) -> Recording:
    """Another story as a historian exports it: long, local time, words in cells, reported on change."""
    zone = str(rng.choice(["Europe/Berlin", "Europe/Lisbon", "America/Chicago", "Asia/Tokyo", "Australia/Adelaide"]))
    long = bool(rng.random() < 0.75)
    interval = float(rng.choice([1, 2, 2, 5]))
    style = Style(
        sharing="own" if long else "shared", interval=interval, slow_interval=max(interval, 2.0), on_change=long,
        deadband=float(rng.choice([0.0, 0.9, 1.9, 3.0])), heartbeat=float(rng.choice([60, 120, 300])), zone=zone,
        words=float(rng.choice([0.001, 0.006, 0.01])), late=float(rng.choice([0.0, 0.002])), renamed=not long,
    )  # fmt: skip
    return _retold(rng, replace(ask.or_wishes(interval=interval), style=style), 16)


def headers_only(rng: np.random.Generator, ask: Ask) -> Recording:
    """Another story with nothing measured but the two headers."""
    return _retold(rng, ask.or_wishes(instruments="H"), 18)


def dp_only(rng: np.random.Generator, ask: Ask) -> Recording:
    """Another story with a differential-pressure transmitter in the place of the pair."""
    return _retold(rng, ask.or_wishes(instruments=str(rng.choice(["D", "DF", "DFT", "DFT"]))), 19)


def lagging_clocks(rng: np.random.Generator, ask: Ask) -> Recording:
    """Service with stops and moves of demand, in which one transmitter's clock is late or early."""
    interval = float(rng.choice([1, 1, 2, 5]))
    asked = ask.or_wishes(interval=interval, instruments=str(rng.choice(["H", "HF", "HFT", "HFTV"])))
    site, story, style = setting(rng, asked, 21, (60, 80), life=(60, 200))
    story.load_like(0.1, 0.5)
    days(story, nights=True, busy=2.5)
    able = [t.id for t in site.transmitters if t.role is not Role.TEMPERATURE]
    lag = float(np.exp(rng.uniform(np.log(2.0), np.log(60.0)))) * (1.0 if rng.random() < 0.75 else -1.0)
    style = replace(style, clocks=((able[int(rng.integers(len(able)))], round(lag, 2)),))
    if rng.random() < 0.35:
        style = replace(style, sharing="own", on_change=True, deadband=float(rng.choice([0.9, 1.9])), late=0.0)
    recording = story.tell(style, seed=ask.seed)
    recording.labels["clocks"] = dict(style.clocks)
    return recording


def _retold(rng: np.random.Generator, ask: Ask, family: int) -> Recording:
    tale = (good_changeouts, bad_changeout, torn_in_service, plain_loading, good_changeouts)[int(rng.integers(5))]
    recording = tale(rng, ask)
    recording.labels["family"] = family
    return recording
