"""Made-up afternoons: vessels in parallel between a pump's curve and a pipe, second by second.

Independent of the engine's own network: flows are found by bisection on dP over all seconds at once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from monitor.engine.engine import Engine, Output
from monitor.model import NS, Event, Role, Rows
from monitor.skid import SkidSettings
from tests.skids import BAR, START, duplex, signal, stream

Array = npt.NDArray[np.float64]
CLEAN, SQUARE = 0.16, 0.06          # bar at its share: a clean vessel, and its turbulent part
HEAD, DROOP, BACK, SYSTEM = 3.6, 0.5, 0.6, 1.3     # bar: pump without flow, its droop, what lies downstream
OUT = np.inf                        # resistance of a vessel that is shut


@dataclass(frozen=True)
class Part:
    """Some time in which things stay, or go evenly from `vessels` to `until`. Resistances bar at each share.

    own: pressures of the vessels while shut [bar]; nan where the vessel is open to the header.
    """

    seconds: int
    vessels: tuple[float, ...]
    until: tuple[float, ...] | None = None
    throttle: float = 1.0
    back: float = 0.0
    head: float = HEAD              # bar, of the pump without flow
    running: bool = True
    own: tuple[float, ...] | None = None
    heard: bool = True              # False: no rows


@dataclass(frozen=True)
class Course:
    inlet: Array
    outlet: Array
    flow: Array                     # ratio to the reference
    own: Array


def course(parts: Sequence[Part]) -> Course:
    """Pressures [bar] and flow of every second."""
    resistance = np.concatenate([_between(p) for p in parts])
    throttle, back, running, head = (_each(parts, name) for name in ("throttle", "back", "running", "head"))
    laminar = resistance - SQUARE
    count = resistance.shape[1]
    low, high = np.zeros(len(laminar)), np.full(len(laminar), HEAD)
    for _ in range(60):
        drop = 0.5 * (low + high)
        with np.errstate(all="ignore"):
            shares = 2 * drop[:, None] / (laminar + np.sqrt(laminar**2 + 4 * SQUARE * drop[:, None]))
        flow = np.sum(shares, 1) / count
        left = head - BACK - back - (DROOP + SYSTEM * throttle) * flow**2
        low, high = np.where(left > drop, drop, low), np.where(left > drop, high, drop)
    drop, flow = np.where(running > 0, drop, 0.0), np.where(running > 0, flow, 0.0)
    outlet = BACK + back + SYSTEM * throttle * flow**2
    inlet = outlet + drop
    own = np.concatenate([np.tile(p.own or (np.nan,) * count, (p.seconds, 1)) for p in parts])
    return Course(inlet, outlet, flow, np.where(np.isnan(own), inlet[:, None], own))


def _between(part: Part) -> Array:
    end = part.until or part.vessels
    share = np.linspace(0, 1, part.seconds)[:, None]
    with np.errstate(invalid="ignore"):
        moved = np.array(part.vessels) + share * (np.array(end) - np.array(part.vessels))
    return np.where(np.isinf(part.vessels), np.inf, moved)


def _each(parts: Sequence[Part], name: str) -> Array:
    return np.concatenate([np.full(p.seconds, float(getattr(p, name))) for p in parts])


def skid_of(vessels: int, *, own: bool = False, flow: bool = True) -> SkidSettings:
    skid = duplex(vessels=vessels, flow=flow)
    if not own:
        return skid
    more = tuple(
        replace(signal(f"p{k}", Role.VESSEL_PRESSURE, "bar", 10.0, BAR), vessel=v) for k, v in enumerate(skid.vessels)
    )
    return replace(skid, signals=skid.signals + more)


def rows_of(parts: Sequence[Part], *, own: bool = False, flow: bool = True, seed: int = 1, noise: float = 0.003,
            shift: tuple[int, float] | None = None, damped: float = 0.0, slow: float = 0.0) -> Rows:
    """Readings each second. noise: bar. shift: second from which the outlet gauge alone reads so much more [bar].
    damped, slow: time constants of the flow meter and of the headers' transmitters [s]."""
    rng, c = np.random.default_rng(seed), course(parts)
    n = c.inlet.size

    def read(x: Array, spread: float = noise) -> Array:
        return x + spread * rng.standard_normal(x.shape)

    outlet = behind(c.outlet, slow) + (0.0 if shift is None else shift[1] * (np.arange(n) >= shift[0]))
    columns = {0: read(behind(c.inlet, slow)), 1: read(outlet)}
    if flow:
        columns |= {2: np.maximum(40 * read(behind(c.flow, damped), 0.003), 0.0), 3: read(np.full(n, 15.0), 0.02)}
    if own:
        columns |= {len(columns) + k: read(c.own[:, k]) for k in range(c.own.shape[1])}
    heard = _each(parts, "heard") > 0
    return stream({k: np.where(heard, v, np.nan) for k, v in columns.items()})


def behind(x: Array, damped: float) -> Array:
    """What an instrument of that time constant [s] shows of x."""
    kept = math.exp(-1 / damped) if damped else 0.0
    return x[0] + np.asarray(lfilter([1 - kept], [1, -kept], x - x[0]))


def judged(parts: Sequence[Part], skid: SkidSettings | None = None, **how: object) -> Output:
    """Everything the engine says of an afternoon."""
    own, flow = bool(how.get("own", False)), bool(how.get("flow", True))
    engine = Engine([skid or skid_of(len(parts[0].vessels), own=own, flow=flow)])
    output, _ = engine.feed({0: rows_of(parts, **how)})  # type: ignore[arg-type]
    last = engine.finish()
    return Output(output.events + last.events, output.minutes + last.minutes, output.changeouts + last.changeouts,
                  output.facts + last.facts)


def judged_in_two(parts: Sequence[Part], cut: int) -> list[Event]:
    """Events of an afternoon whose engine was stopped before second `cut`, and another took up its state."""
    rows, skid = rows_of(parts), skid_of(len(parts[0].vessels))
    first = rows.time < START + cut * NS
    engine = Engine([skid])
    events = engine.feed({0: rows.take(first)})[0].events
    waiting, snapshot = engine.sequencers[0].pending, engine.snapshot(0)
    engine = Engine([skid])
    engine.restore(0, snapshot)
    engine.sequencers[0].push(waiting)
    return events + engine.feed({0: rows.take(~first)})[0].events + engine.finish().events


def of_kind(output: Output, kind: str) -> list[tuple[str, str | None, str | None, float]]:
    """(transition, detail, grade, second) of every event of a kind."""
    return [(str(e.transition), e.detail, e.grade, second(e)) for e in output.events if e.kind == kind]


def second(event: Event) -> float:
    return (event.time - START) / NS


def message(output: Output, kind: str, transition: str) -> str:
    return next(e.message for e in output.events if e.kind == kind and str(e.transition) == transition)
