"""Reading the row tier's look back: steady levels of a skid over a span of the last twenty minutes."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.compiled import compiled
from monitor.engine.codes import BLOCK_COLUMNS, BLOCK_FIELDS, BLOCK_S, BLOCKS, KEPT, KEPT_EVERY, NORMALISED, RING
from monitor.hydraulics.network import Conditions
from monitor.model import NS

BLOCK = BLOCK_S * NS
PLAIN = len(BLOCK_FIELDS)
FLOW_RATIO = BLOCK_FIELDS.index("flow")
ENOUGH_BLOCKS = 12       # for a rate
TOGETHER = 3             # kept blocks, a minute apart: demand that changes takes no longer
UNUSUALLY = 5.0          # times the median of what they go
ENOUGH_BENDS = 3         # three blocks make one
STEADY_FLOW = 0.06       # of flow, between the least and the most of blocks with their noise


class Level(NamedTuple):
    """Medians over blocks. error: standard error of dP relative to it, from the blocks' own scatter."""

    state: Conditions
    inlet: float
    outlet: float
    turbidity: float
    vessels: tuple[float, ...]
    error: float
    blocks: int


@compiled
def medians(starts, means, used, first, last, blocks, middle):  # type: ignore[no-untyped-def]
    """Median of what is known in each column of the blocks that start between two times and whose dP is known, NaN
    where nothing is, into `middle`; blocks: room to sort in. Returns how many blocks there are, and the median absolute
    deviation of their dP. Compiled: this runs every ten minutes of a year."""
    found = 0
    for column in range(middle.size):
        count = 0
        for k in range(used):
            if first <= starts[k] <= last and math.isfinite(means[k, 0]):
                if column == 0:
                    found += 1
                if not math.isnan(means[k, column]):
                    insert(blocks, count, float(means[k, column]))
                    count += 1
        middle[column] = middle_of(blocks, count)
    count = 0
    for k in range(used):
        if first <= starts[k] <= last and math.isfinite(means[k, 0]):
            insert(blocks, count, abs(float(means[k, 0]) - middle[0]))
            count += 1
    return found, middle_of(blocks, count)


@compiled
def insert(ordered, count, value):  # type: ignore[no-untyped-def]
    """Put a value where it belongs among the first `count`, which are in order."""
    k = count
    while k > 0 and ordered[k - 1] > value:
        ordered[k] = ordered[k - 1]
        k -= 1
    ordered[k] = value


@compiled
def middle_of(ordered, count):  # type: ignore[no-untyped-def]
    """Median of the first `count`, which are in order; NaN for none."""
    return 0.5 * (ordered[(count - 1) // 2] + ordered[count // 2]) if count > 0 else math.nan


def level(history: np.record, start: int, end: int) -> Level | None:
    """Level between two times [ns]; None without a block whose dP is known."""
    middle, blocks = np.empty(BLOCK_COLUMNS), np.empty(BLOCKS)
    known, scatter = medians(
        history["start"], history["means"], min(int(history["used"]), BLOCKS), start, end - BLOCK, blocks, middle
    )
    if known == 0:
        return None
    drop, flow, viscosity, density, inlet, outlet, *_ = columns = middle.tolist()
    return Level(
        Conditions(drop, flow, viscosity, density), inlet, outlet, columns[PLAIN - 1], tuple(columns[PLAIN:]),
        error=1.4826 * scatter * math.sqrt(math.pi / 2 / known) / abs(drop) if drop else math.inf, blocks=known,
    )  # fmt: skip


def latest_seconds(state: np.record, back: int, count: int) -> list[int]:
    """Places in the row tier's rings of `count` seconds that end `back` seconds before the newest."""
    newest = int(state["tick"]) // NS - 1     # `tick` is the next one
    return [(newest - back - j) % RING for j in range(count)]


def seconds(state: np.record, back: int, count: int, vessels: int) -> Level:
    """Means of `count` seconds that end `back` seconds before the newest, from the row tier's rings; of vessels' own
    pressures and turbidity nothing."""
    taken = latest_seconds(state, back, count)
    rings = ("ring_dp", "ring_flow", "ring_ratio", "ring_density", "ring_inlet", "ring_outlet")
    means = [float(np.mean(np.asarray(state[name])[taken])) for name in rings]
    return Level(Conditions(*means[:4]), means[4], means[5], math.nan, (math.nan,) * vessels, 0.0, 0)


def off_inlet(history: np.record, start: int, end: int) -> float:
    """The furthest [Pa] that any vessel's pressure was below the inlet header's in a block between two times [ns]; 0
    where none is known."""
    starts = history["start"][: int(history["used"])]
    means = history["means"][: starts.size][(starts >= start) & (starts <= end)].astype(float)
    below = means[:, BLOCK_FIELDS.index("inlet"), None] - means[:, len(BLOCK_FIELDS) :]
    return float(np.max(below, initial=0.0, where=np.isfinite(below)))


def went_with_demand(history: np.record, start: int, end: int) -> float:
    """The most [Pa] by which both headers went one way, by the lesser of them, or dP fell, within some minutes between
    two times [ns]: neither is resistance that grows. 0 where that is no more than usual, or none is known."""
    headers = _kept(history, start, end)[:, :2]
    moved = headers[TOGETHER:] - headers[:-TOGETHER]
    moved = moved[np.isfinite(moved).all(axis=1)]
    if not moved.size:
        return 0.0
    together = np.where(np.prod(np.sign(moved), axis=1) > 0, np.abs(moved).min(axis=1), 0.0)
    fell = np.maximum(moved[:, 1] - moved[:, 0], 0.0)
    usual = np.median(np.abs(moved).min(axis=1)), np.median(np.abs(moved[:, 1] - moved[:, 0]))
    most = [float(np.max(went)) for went in (together, fell)]
    return max((m for m, least in zip(most, usual, strict=True) if m > UNUSUALLY * float(least)), default=0.0)


def rose_within_minutes(history: np.record, start: int, end: int) -> float:
    """The most that ln(normalised dP) rose within some minutes between two times [ns]; 0 where none is known."""
    found = _kept(history, start, end)[:, 2]
    known = np.log(found, out=np.full(found.size, np.nan), where=found > 0)
    rises = known[TOGETHER:] - known[:-TOGETHER]
    return float(np.max(rises, initial=0.0, where=np.isfinite(rises)))


def _kept(history: np.record, start: int, end: int) -> npt.NDArray[np.float64]:
    """Inlet, outlet and normalised dP of the few blocks that are kept longer, oldest first."""
    used = min(-(-int(history["used"]) // KEPT_EVERY), KEPT)
    starts = np.asarray(history["kept_start"])[:used]
    chosen = np.flatnonzero((starts >= start) & (starts <= end - BLOCK))
    kept: npt.NDArray[np.float64] = np.asarray(history["kept"], float)[chosen[np.argsort(starts[chosen])]]
    return kept


def restlessness(history: np.record, field: str, start: int, end: int) -> float:
    """Standard deviation [the field's unit] of a block about the course of its neighbours between two times [ns], from
    second differences, so that steep loading is none; NaN where there are fewer than five blocks."""
    bends = np.abs(np.diff(_blocks(history, start, end, field), n=2))
    known = bends.size >= ENOUGH_BENDS and np.isfinite(bends).all()
    return 1.4826 * float(np.median(bends)) / math.sqrt(6) if known else math.nan


def _blocks(history: np.record, start: int, end: int, field: str) -> npt.NDArray[np.float64]:
    """A column of the blocks between two times [ns], oldest first."""
    starts = np.asarray(history["start"])[: min(int(history["used"]), BLOCKS)]
    chosen = np.flatnonzero((starts >= start) & (starts <= end - BLOCK))
    chosen = chosen[np.argsort(starts[chosen])]
    means: npt.NDArray[np.float64] = np.asarray(history["means"], float)[chosen, BLOCK_FIELDS.index(field)]
    return means


def growth(history: np.record, start: int, end: int) -> float:
    """Rate of ln(normalised dP) between two times [1/s], by the median of slopes (Theil 1950); 0 where unknown.

    Also 0 where flow moved: what is left of it in normalised dP would look like growth.
    """
    starts = np.asarray(history["start"])
    used = min(int(history["used"]), BLOCKS)
    chosen = np.flatnonzero((starts >= start) & (starts + BLOCK <= end) & (np.arange(BLOCKS) < used))
    means = np.asarray(history["means"], dtype=float)[chosen]
    level, flow = means[:, NORMALISED], means[:, FLOW_RATIO]
    usable = np.isfinite(level) & (level > 0) & np.isfinite(flow)
    if np.count_nonzero(usable) < ENOUGH_BLOCKS or np.ptp(flow[usable]) > STEADY_FLOW * np.median(flow[usable]):
        return 0.0
    x, y = (starts[chosen][usable] - start) / NS, np.log(level[usable])
    i, j = np.triu_indices(x.size, 1)
    slopes = (y[j] - y[i]) / (x[j] - x[i])
    return float(np.median(slopes))
