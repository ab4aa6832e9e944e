"""Every compiled detector with an example: a skid, a stream on which it must keep quiet, and one on which it must not.

What is judged row by row runs in one compiled loop over one state, so an example is run by that loop, and an entry
says which of its emissions are the detector's own. Tests run the same properties over every entry
(tests/detectors/test_properties.py); a module that is neither here nor in EXEMPT fails them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from monitor.config import KINDS, defaults_for
from monitor.engine import codes
from monitor.engine.row_tier import Emission
from monitor.model import NS, Quality, Role, Rows
from monitor.skid import Element, Reference, Signal, SkidSettings

START = 1_750_000_000 * NS
STEP_AT = 600            # s into the second stream, where what is to be found begins
INLET, OUTLET, FLOW, LEAK, OWN = range(5)
Values = npt.NDArray[np.float64]
STEPS = np.array([[0.002], [0.002], [0.01], [1.0], [0.002]])     # of the converters

EXEMPT = {
    "monitor.conditioning.health": "runs stale, failed, frozen and spikes",
    "monitor.conditioning.order": "arithmetic",
    "monitor.conditioning.range": "grades one value, without memory",
    "monitor.conditioning.sensor": "runs the others for each reading",
    "monitor.conditioning.steps": "tells nothing itself: `zero` asks it",
    "monitor.conditioning.times": "the parameters of the entries for signals",
    "monitor.detectors.integrity": "runs surge, path, holds and leaks",
    "monitor.detectors.pressure_decay": "arithmetic",
    "monitor.detectors.robust_slope": "arithmetic",
    "monitor.detectors.registry": "this list",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """module: where the detector is. own: which emissions are its own. within_s: its declared delay after the step.
    quiet, step: from a generator of random numbers to a stream. own_pressure: of the first vessel, besides. skips:
    properties it does not meet, with the reason."""

    name: str
    module: str
    own: Callable[[Emission], bool]
    within_s: float
    step: Callable[[np.random.Generator], Rows]
    quiet: Callable[[np.random.Generator], Rows] = field(default=lambda rng: rows_of(service(rng)))
    own_pressure: bool = False
    parameters: str = ""     # the kind whose settings it is judged by; none: constants of its module
    skips: Mapping[str, str] = field(default_factory=dict)


def example_skid(factor: float = 1.0, *, own_pressure: bool = False) -> SkidSettings:
    """Two vessels, headers of 0-10 bar, flow, a leak sensor, where asked the first vessel's own pressure; every
    pressure and limit times `factor`."""
    bar = 1e5
    element = Element(changeout_dp=factor * bar, max_dp=2.4 * factor * bar, clean_dp=0.16 * factor * bar)
    headers = [
        Signal(name, role, name, "bar", 0.0, 10.0 * factor, bar, 0.0)
        for name, role in (("in", Role.INLET_PRESSURE), ("out", Role.OUTLET_PRESSURE))
    ]
    own = Signal("own", Role.VESSEL_PRESSURE, "own", "bar", 0.0, 10.0 * factor, bar, 0.0, vessel="a")
    alarms = {kind: defaults_for(kind, element) for kind in KINDS}
    alarms["surge"] = replace(alarms["surge"], limit=factor * (alarms["surge"].limit or 0.0))
    return SkidSettings(
        id="example", name="Example", vessels=("a", "b"), in_service=2, element=element,
        reference=Reference(40 / 3600, 288.15), alarms=alarms,
        signals=(*headers, Signal("flow", Role.FLOW, "flow", "m^3/h", 0.0, 60.0, 1 / 3600, 0.0),
                 Signal("leak", Role.LEAK_SENSOR, "leak", "1", 0.0, 1.0, 1.0, 0.0), *([own] if own_pressure else [])),
        display_units={"pressure": "bar", "flow": "m^3/h", "temperature": "degC", "turbidity": "NTU"},
    )  # fmt: skip


def scaled(rows: Rows, factor: float) -> Rows:
    """The same readings with pressures times `factor`."""
    pressure = (rows.signal < FLOW) | (rows.signal == OWN)
    return rows._replace(value=np.where(pressure, rows.value * factor, rows.value))


def service(rng: np.random.Generator, seconds: int = 1200) -> Values:
    """Inlet, outlet [bar], flow [m^3/h], a dry leak sensor in steady service: noise of two steps of the converter."""
    outlet = 2.0 + rng.normal(0, 0.004, seconds)
    inlet = 2.4 + rng.normal(0, 0.004, seconds)
    return np.stack([inlet, outlet, 40 + rng.normal(0, 0.2, seconds), np.zeros(seconds)])


def stopped(rng: np.random.Generator, offset: float, seconds: int = 900) -> Values:
    """Service that is stopped at STEP_AT - 300: both headers fall to one level, the inlet's reading off by `offset`."""
    values = service(rng, STEP_AT + seconds)
    still = slice(STEP_AT - 300, None)
    noise = rng.normal(0, 0.004, (2, values[0, still].size))
    values[:FLOW, still] = np.stack([1.0 + offset + noise[0], 1.0 + noise[1]])
    values[FLOW, still] = 0.0
    return values


def rows_of(values: Values, bad: npt.NDArray[np.bool_] | None = None) -> Rows:
    """Columns sampled once a second as rows; NaN is no sample."""
    steps = STEPS[: len(values)]
    quantised = np.round(values / steps) * steps
    second, signal = np.nonzero(~np.isnan(values.T))
    quality = np.zeros(second.size, np.uint8)
    if bad is not None:
        quality[bad.T[second, signal]] = Quality.BAD
    return Rows(START + second * NS, signal.astype(np.int16), quantised.T[second, signal], quality)


def changed(
    change: Callable[[Values, slice], None], seconds: int = 900
) -> Callable[[np.random.Generator], Rows]:
    """Service in which `change` is made from STEP_AT on."""

    def stream(rng: np.random.Generator) -> Rows:
        values = service(rng, STEP_AT + seconds)
        change(values, slice(STEP_AT, None))
        return rows_of(values)

    return stream


def _silent(values: Values, late: slice) -> None:
    values[INLET, late] = np.nan


def _frozen(values: Values, late: slice) -> None:
    values[INLET, late] = values[INLET, STEP_AT]


def _spiked(values: Values, late: slice) -> None:
    values[OUTLET, STEP_AT::20] += 0.5


def _swapped(values: Values, late: slice) -> None:
    values[[INLET, OUTLET], late] = values[[OUTLET, INLET], late]


def _reversed(values: Values, late: slice) -> None:
    values[INLET, late] -= 2.2
    values[FLOW, late] = 0.0


def _isolated(values: Values, late: slice) -> None:
    values[INLET, late] += 0.4


def _torn(values: Values, late: slice) -> None:
    values[INLET, late] -= 0.2


def _over(values: Values, late: slice) -> None:
    values[INLET, late] += 1.8


def _surged(values: Values, late: slice) -> None:
    values[: FLOW, STEP_AT : STEP_AT + 20] += 2.0


def _shut(values: Values, late: slice) -> None:
    values[INLET, late] += 0.6
    values[OUTLET, late] -= 1.0
    values[FLOW, late] = 0.0


def _wet(values: Values, late: slice) -> None:
    values[LEAK, late] = 1.0


def _moved(values: Values, late: slice) -> None:
    """More supply: both headers rise."""
    values[:FLOW, late] += 0.5


def _filled(rng: np.random.Generator) -> Rows:
    """Vessel a is emptied for a quarter of an hour and filled within half a minute."""
    return rows_of(_emptied(rng, np.concatenate([np.zeros(900), np.linspace(0.0, 2.4, 30)])))


def _passing(rng: np.random.Generator) -> Rows:
    """Vessel a is emptied, and from STEP_AT on its pressure comes back within minutes."""
    return rows_of(_emptied(rng, np.concatenate([np.zeros(60), np.linspace(0.0, 1.0, 300)])))


def _emptied(rng: np.random.Generator, course: Values) -> Values:
    """Service with vessel a's own pressure, which falls to nothing 60 s before STEP_AT and then runs through `course`
    and stands."""
    values = service(rng, STEP_AT - 60 + course.size + 120)
    own = np.concatenate([values[INLET, : STEP_AT - 60], course, np.full(120, course[-1])])
    return np.vstack([values, own + rng.normal(0, 0.004, own.size)])


def _seeping(rng: np.random.Generator) -> Rows:
    values = stopped(rng, 0.0)
    after = np.arange(values.shape[1] - STEP_AT)
    values[:FLOW, STEP_AT:] += np.exp(-after / 1000.0) - 1.0
    return rows_of(values)


def _failed(rng: np.random.Generator) -> Rows:
    values = service(rng, STEP_AT + 300)
    values[FLOW, STEP_AT:] = -1.8
    return rows_of(values, values < -1.5)


def _shifted(rng: np.random.Generator) -> Rows:
    return rows_of(stopped(rng, 0.12))


def _at_rest(rng: np.random.Generator) -> Rows:
    return rows_of(stopped(rng, 0.01))


def _fault(detail: int) -> Callable[[Emission], bool]:
    return lambda e: e.alarm == codes.SIGNAL_FAULT and e.detail == detail and e.code == codes.RAISED


FAULT = "signal-fault"
ENTRIES = (
    Entry(name="stale", module="monitor.conditioning.stale", own=_fault(codes.STALE), within_s=61,
          step=changed(_silent, 300), parameters=FAULT),
    Entry(name="out-of-range", module="monitor.conditioning.failed", own=_fault(codes.FAILED), within_s=32,
          step=_failed, parameters=FAULT),
    Entry(name="frozen", module="monitor.conditioning.frozen", own=_fault(codes.FROZEN), within_s=302,
          step=changed(_frozen, 600), parameters=FAULT),
    Entry(name="spikes", module="monitor.conditioning.spikes", own=_fault(codes.SPIKES), within_s=90,
          step=changed(_spiked, 300), parameters=FAULT),
    Entry(name="swapped", module="monitor.conditioning.pair", own=_fault(codes.SWAPPED), within_s=125,
          step=changed(_swapped, 300), parameters=FAULT),
    Entry(name="reverse-dp", module="monitor.conditioning.pair", own=lambda e: e.alarm == codes.REVERSE, within_s=40,
          step=changed(_reversed, 300), parameters=FAULT),
    Entry(name="zero-shift", module="monitor.conditioning.zero", own=_fault(codes.SHIFTED), within_s=220,
          step=_shifted, quiet=_at_rest, parameters=FAULT),
    Entry(name="clocks", module="monitor.conditioning.clocks", own=lambda e: e.alarm == codes.CLOCK, within_s=125,
          step=changed(_moved, 300)),
    Entry(name="come-back", module="monitor.detectors.come_back", own=lambda e: e.alarm == codes.BACK, within_s=110,
          step=_passing, quiet=_filled, own_pressure=True,
          skips={"scale": "what a gauge reads at nothing does not scale with the process"}),
    Entry(name="isolation", module="monitor.detectors.isolation", own=lambda e: e.code == codes.ISOLATED, within_s=45,
          step=changed(_isolated, 300)),
    Entry(name="drop", module="monitor.detectors.drop", within_s=45, step=changed(_torn, 300),
          own=lambda e: e.code == codes.DROPPED and e.detail == codes.GRADUAL),
    Entry(name="sudden", module="monitor.detectors.sudden", within_s=10, step=changed(_torn, 300),
          own=lambda e: e.code == codes.DROPPED and e.detail == codes.SUDDEN),
    Entry(name="surge", module="monitor.detectors.surge", within_s=80, step=changed(_surged, 300), parameters="surge",
          own=lambda e: e.alarm == codes.SURGE and e.code == codes.RAISED),
    Entry(name="flow-blocked", module="monitor.detectors.path", within_s=25, step=changed(_shut, 300),
          own=lambda e: e.alarm == codes.BLOCKED and e.code == codes.RAISED, parameters="flow-blocked"),
    Entry(name="closure-seep", module="monitor.detectors.holds", within_s=240, step=_seeping, quiet=_at_rest,
          own=lambda e: e.alarm == codes.SEEP and e.code == codes.WAKE, parameters="closure-seep",
          skips={"scale": "what temperature and valves move a held pressure by does not scale with the process"}),
    Entry(name="leak-sensor", module="monitor.detectors.leaks", within_s=18, step=changed(_wet, 300),
          own=lambda e: e.alarm == codes.LEAK and e.code == codes.RAISED, parameters="closure-seep"),
    Entry(name="delay", module="monitor.alarms.delay", within_s=25, step=changed(_over, 300),
          own=lambda e: e.alarm == codes.LIMIT and e.code == codes.RAISED),
)  # fmt: skip


def entries() -> Iterator[Entry]:
    """The entries, in the order of the path of a reading."""
    yield from ENTRIES
