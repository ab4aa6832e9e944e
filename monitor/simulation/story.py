"""A story: one site, what happens to it and to its transmitters, and the labels that follow.

Scenarios call the methods here to plan things at given seconds; `tell` runs the plant and returns the recording.
What was planned and what the plant then did decide the labels; nothing is read off the noisy samples.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from monitor.model import Role
from monitor.simulation.instruments import UNITS
from monitor.simulation.labels import Labels, due_crossings, spans
from monitor.simulation.machine import Machine, new_vessels, surroundings
from monitor.simulation.operator import (
    Changeout,
    Element,
    Practice,
    bring_in,
    change,
    draw_practice,
    isolate_briefly,
    take_out,
)
from monitor.simulation.plant import CONTROL_NONE, SETPOINT, TRUTH_EVERY, Record, Surroundings
from monitor.simulation.sampling import Fault, Group, Style, sample
from monitor.simulation.site import BAR, Site, blocking_integral, ratio_for

Array = npt.NDArray[np.float64]
WARM_UP = 600        # s run before the recording begins, so that controllers have settled
BLOCK = 300          # s between looks at what the plant does
TIGHT_KELVIN = 0.3   # how far a tight hold may warm or cool
FILM = 0.4 * BAR     # Pa per K of a blocked-in vessel as these are: some trapped air, a flexible shell


@dataclass(frozen=True, slots=True)
class Recording:
    """A finished recording. Groups hold samples in transmitters' units; truth columns are as truth.csv.gz has them."""

    site: Site
    style: Style
    start_ns: int
    groups: list[Group]
    labels: dict[str, Any]
    truth: dict[str, Array]
    seed: int


@dataclass(slots=True)
class Story:
    """Plans and runs one recording. Seconds count from its start."""

    site: Site
    rng: np.random.Generator
    start_ns: int
    seconds: int
    family: int
    band: float = 0.03                       # of changeout-due windows
    wander: float = 1.0                      # scale of slow disturbances
    elements: list[Element] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    gaps: list[tuple[float, float]] = field(default_factory=list)
    changes: list[Changeout] = field(default_factory=list)
    due_expected: bool = True
    ends_after_due: float | None = None      # s after the changeout point at which the recording ends
    watch: Callable[[int, float], None] | None = None
    machine: Machine = field(init=False)
    labels: Labels = field(init=False)
    temperature: Array = field(init=False)   # planned course, K, one a second
    solids: Array = field(init=False)        # planned course, relative
    _murk: list[tuple[float, float, float]] = field(default_factory=list)
    _wet: list[tuple[int, float, float]] = field(default_factory=list)
    _stops: list[tuple[float, float]] = field(default_factory=list)
    _breaches: list[tuple[float, int, str, dict[str, float]]] = field(default_factory=list)
    _verdicts: list[tuple[Changeout, str, float, bool, dict[str, Any]]] = field(default_factory=list)
    _age: float = 0.0

    def __post_init__(self) -> None:
        site = self.site
        self.elements = [self.new_element() for _ in site.vessels]
        clean, housing, loading = (np.array([getattr(e, n) for e in self.elements]) for n in ("clean", "housing", "loading"))
        vessels = new_vessels(clean, housing, loading)
        vessels.recovery[:] = site.flow_ref / site.in_service * self.rng.uniform(900, 7200, clean.size)
        self.machine = Machine(site.skid, vessels, back=site.back, setpoint=site.setpoint)
        self.machine.now = -WARM_UP
        self.labels = Labels(self.start_ns, self.seconds)
        base = site.temperature_ref + self.rng.uniform(-5, 5)
        self.temperature = np.full(self.seconds, max(base, 275.0))
        self.solids = np.ones(self.seconds)

    # -- elements ------------------------------------------------------------------------------------

    def new_element(self) -> Element:
        """Another element of the same part: a few percent off the mean."""
        e, r = self.site.element, self.rng
        return Element(e.clean * r.normal(1, 0.025), e.housing * r.normal(1, 0.015), e.loading * r.normal(1, 0.06))

    def load_to(self, levels: list[float]) -> None:
        """Starts each vessel at a resistance [Pa] (its dP at its share of the reference flow)."""
        v = self.machine.vessels
        for i, level in enumerate(levels):
            v.ratio[i] = ratio_for(self.site.skid, self.elements[i], level)
            used = blocking_integral(float(v.ratio[i]), self.site.skid.exponent) / max(self.elements[i].loading, 1e-12)
            v.volume[i] = used
        self._age = float(np.mean(v.volume)) / (0.92 * self.site.flow_ref / self.site.in_service)

    def load_like(self, low: float, high: float, spread: float = 0.15) -> None:
        """Starts all vessels at shares of the way from clean to changeout, each a little different."""
        share = self.rng.uniform(low, high)
        clean, due = self.site.clean_dp, self.site.changeout_dp
        own = np.clip(share + spread * self.rng.uniform(-1, 1, len(self.site.vessels)), 0.0, 0.97)
        self.load_to([float(clean + s * (due - clean)) for s in own])

    def due_in(self, hours: float) -> None:
        """Sets what the water carries so that the changeout point comes after about so many hours of usual flow."""
        skid, v = self.site.skid, self.machine.vessels
        resistance = self.at_reference()[0]
        share = skid.flow_ref / skid.in_service
        need = blocking_integral(ratio_for(skid, self.site.element, self.site.changeout_dp), skid.exponent)
        used = blocking_integral(ratio_for(skid, self.site.element, resistance), skid.exponent)
        loading = max(need - used, 0.02 * need) / (hours * 3600 * 0.92 * share)
        v.loading[:] *= loading / self.site.element.loading
        self.site = replace(self.site, element=replace(self.site.element, loading=loading))
        self._age *= self.site.life * loading / need
        self.site = replace(self.site, life=need / loading)

    def ratio_to_clean(self, element: Element) -> float:
        """Resistance of a vessel with this element over that of the mean clean one."""
        site, share = self.site, self.site.flow_ref / self.site.in_service
        square = element.housing * site.skid.density_ref + 2 * site.skid.valve
        # With the cake's factor taken at the element's own dP; for clean elements it is 1.
        return float((element.clean * element.ratio * share + square * share**2) / site.clean_dp)

    # -- what happens --------------------------------------------------------------------------------

    def change(self, start: float, vessel: int, practice: Practice | None = None, element: Element | None = None) -> Changeout:
        """Plans a changeout; its labels are up to `good` or `bad` below."""
        plan = change(self.machine, start, vessel, practice or draw_practice(self.rng), element or self.new_element())
        self.changes.append(plan)
        self.labels.allow("surge", plan.start - 40, plan.isolated + 200)
        return plan

    def good_change(self, start: float, vessel: int, practice: Practice | None = None) -> Changeout:
        """A changeout that went as it should."""
        element = self.new_element()
        plan = self.change(start, vessel, practice, element)
        self.expect_change(plan, "good", self.ratio_to_clean(element))
        return plan

    def expect_change(self, plan: Changeout, verdict: str, ratio: float, **more: Any) -> None:
        """Labels of a changeout with its verdict, once it is known what this site can tell at the return."""
        def label() -> None:
            near = min(abs(ratio - limit) for limit in (0.75, 1.30))
            self._verdicts.append((plan, verdict, ratio, near < self.ratio_uncertainty(plan.vessel), more))

        self.machine.at(plan.returned, label)

    def ratio_uncertainty(self, vessel: int) -> float:
        """Half of an honest 90 % interval of a verdict's ratio, from what this site's transmitters can know now.

        The dP's zero (0.05 % of span each), 1 % of dP with flow and temperature, 3 % without flow, and how
        little of a vessel's resistance is seen in the skid's.
        """
        site, v = self.site, self.machine.vessels
        before, own = self.at_reference()
        v.clean[vessel] *= 1.05
        after, moved = self.at_reference()
        v.clean[vessel] /= 1.05
        seen = max((after - before) / (moved[vessel] - own[vessel]), 1e-3)
        pair = [t for t in site.transmitters if t.role in (Role.INLET_PRESSURE, Role.DIFFERENTIAL_PRESSURE)]
        zero = min(0.0005 * t.span * UNITS[t.unit][0] for t in pair) * (1.0 if site.has("D") else math.sqrt(2))
        rest = math.hypot(0.01 if site.has("F") else 0.03, 0.0 if site.has("T") else 0.01) * before
        return 1.64 * math.hypot(zero, rest) / seen / site.clean_dp

    def _label_changes(self) -> None:
        for plan, verdict, ratio, unclear, more in self._verdicts:
            vessel, size = self.site.vessels[plan.vessel], round(ratio, 3)
            also = {"verdict_ok": [verdict, "unverified"]} if unclear else {}
            self.labels.expect(
                plan.returned, "changeout-done", 960, vessel=vessel, detail=verdict, early_s=120,
                isolated_at=plan.isolated, size=size, **more, **also,
            )  # fmt: skip
            if verdict != "good" and unclear:
                self.labels.allow("changeout-suspect", plan.returned - 120, self.seconds)
            elif verdict != "good":
                self.labels.expect(
                    plan.returned, "changeout-suspect", 960, vessel=vessel, detail=verdict, early_s=120,
                    until=self.seconds, size=size, **more,
                )  # fmt: skip

    def quick_isolation(self, start: float, vessel: int, lasting: float) -> None:
        """A vessel shut and opened again, not changed: a decoy."""
        outlet_too = bool(self.rng.random() < 0.3) and lasting > 60
        begin, end = isolate_briefly(self.machine, start, vessel, lasting, shut=self.rng.uniform(2, 6), outlet_too=outlet_too)
        self.labels.decoy(begin, end + 900, "quick isolation")
        self.labels.allow("surge", begin - 40, end + 200)

    def stop_pump(self, start: float, lasting: float, *, relax: float | None = None, overshoot: float | None = None) -> float:
        """Stops the pump and starts it again; some cake lets go, most of which comes back. Returns the start."""
        again = start + lasting
        share = relax if relax is not None else float(self.rng.uniform(0.0, 0.10))
        comes_back = float(self.rng.uniform(0.5, 1.0))
        self.machine.at(start, lambda: self.machine.stop_pump(self.rng.uniform(2, 8)))
        self.machine.at(again - 1, lambda: self.relax(share, comes_back))
        extra = overshoot if overshoot is not None else float(self.rng.uniform(0.0, 0.05))
        self.machine.at(again, lambda: self.machine.start_pump(1.0, over=self.rng.uniform(3, 10), overshoot=extra))
        self._stops.append((start, again))
        self.labels.allow("surge", start - 15, start + 62)
        self.labels.allow("surge", again - 30, again + 180)
        return again

    def relax(self, share: float, comes_back: float) -> None:
        """Every vessel loses a share of its cake's resistance."""
        for i in range(self.machine.count):
            self.machine.lose(i, share * float(self.rng.uniform(0.6, 1.2)), comes_back)

    def scale_flow(self, start: float, share: float, over: float) -> None:
        """Moves demand to a share of the usual flow: the set-point where there is a controller, else a valve."""
        skid, site = self.site.skid, self.site
        if skid.control == CONTROL_NONE:
            self.machine.at(start, lambda: self.machine.throttle(share**-2.6 if share else 1e9, over))
        elif skid.control == 1:
            self.machine.at(start, lambda: self.machine.move(SETPOINT, max(share, 0.05) * site.setpoint, over))
        else:
            self.machine.at(start, lambda: self.machine.throttle(share**-2.0, over))

    def seconds_after(self, *hours: float) -> float:
        return float(self.rng.uniform(*hours)) * 3600

    def breach(self, second: float, vessel: int, loss: float, detail: str, *, restart: float | None = None) -> None:
        """An element tears at `second`; the skid's dP at reference conditions falls by `loss`, or what one vessel can."""
        label: dict[str, float] = {}

        def tear() -> None:
            label.update(self._tear(vessel, loss))

        self.machine.at(second, tear)
        self.murky(second if restart is None else restart, self.seconds, float(self.rng.uniform(2.5, 8)))
        self._breaches.append((restart if restart is not None else second, vessel, detail, label))

    def _tear(self, vessel: int, loss: float) -> dict[str, float]:
        """Tears an element so that the skid loses `loss`; returns what it lost and whether it is below clean."""
        before, _ = self.at_reference()
        site, v = self.site, self.machine.vessels
        share = self._flow_left_for(vessel, (1 - loss) * before)
        square = v.housing[vessel] * site.skid.density_ref + 2 * site.skid.valve
        linear = ((1 - loss) * before - square * share**2) / share if share > 0 else 0.0
        left = max(linear / v.clean[vessel], 0.03)
        self.machine.tear(vessel, left, loading_left=float(self.rng.choice([0.0, self.rng.uniform(0, 0.15)])))
        after, _ = self.at_reference()
        return {"size": 1 - after / before, "below": float(after < site.clean_dp)}

    def _flow_left_for(self, vessel: int, drop: float) -> float:
        """What one vessel must pass at reference conditions so that the skid shows `drop` [Pa]."""
        from monitor.simulation.plant import vessel_flow

        site, v = self.site, self.machine.vessels
        total = site.skid.flow_ref
        for i in np.flatnonzero(v.duty > 0.5):
            if i != vessel:
                square = v.housing[i] * site.skid.density_ref + 2 * site.skid.valve
                ratio = 1 + (v.ratio[i] - 1) * (1 - v.relaxed[i])
                total -= vessel_flow(drop, v.clean[i], square, ratio, site.skid)[0]
        return float(total)

    def at_reference(self) -> tuple[float, Array]:
        """True dP at reference conditions now, of the skid and of each vessel [Pa]."""
        from monitor.simulation.plant import at_reference

        reference, resistance = np.zeros(1), np.zeros((1, self.machine.count))
        at_reference(self.site.skid, self.machine.vessels, reference, resistance, 0)
        return float(reference[0]), resistance[0]

    def murky(self, begin: float, end: float, factor: float) -> None:
        """Outlet turbidity is `factor` times the usual."""
        self._murk.append((begin, end, factor))

    def wet(self, vessel: int, begin: float, end: float) -> None:
        """A vessel's leak sensor is wet."""
        self._wet.append((vessel, begin, end))

    # -- running it ----------------------------------------------------------------------------------

    def tell(self, style: Style, *, seed: int = 0, extra: Callable[[Record], None] | None = None) -> Recording:
        """Runs the plant, samples it and labels it."""
        around, temperature = self._around()
        record = self._run(around)
        temperature = temperature[: self.seconds]
        second = np.arange(0, self.seconds, TRUTH_EVERY, dtype=float)
        self._label_changes()
        self._label_breaches(style)
        self._label_dues(second, record.reference)
        self._label_limit(record)
        if extra:
            extra(record)
        groups = sample(self.site, style, self._true(record, temperature), self.faults, self.gaps, self.start_ns, self.rng)
        document = self.labels.document(
            family=self.family, skid_days=round(self.seconds / 86_400, 4), instruments=self.site.instruments
        )
        truth = self._truth(second, record)
        return Recording(self.site, style, self.start_ns, groups, document, truth, seed)

    def _around(self) -> tuple[Surroundings, Array]:
        r, n, w = self.rng, self.seconds + WARM_UP, self.wander
        temperature = np.concatenate([np.full(WARM_UP, self.temperature[0]), self.temperature])
        temperature = temperature + w * wandering(r, n, r.uniform(0.1, 0.6), r.uniform(3000, 20000))
        solids = np.concatenate([np.full(WARM_UP, self.solids[0]), self.solids])
        solids = solids * np.exp(w * wandering(r, n, r.uniform(0.0, 0.25), 5400))
        throttle = 1 + w * wandering(r, n, r.uniform(0.002, 0.012), r.uniform(300, 3600))
        back = w * wandering(r, n, r.uniform(0.002, 0.012) * BAR, r.uniform(60, 900))
        return surroundings(temperature, solids, throttle, back), temperature[WARM_UP:]

    def _run(self, around: Surroundings) -> Record:
        self.machine.run(Surroundings(*(a[:WARM_UP] for a in around)))
        parts = []
        for begin in range(WARM_UP, WARM_UP + self.seconds, BLOCK):
            parts.append(self.machine.run(Surroundings(*(a[begin : begin + BLOCK] for a in around))))
            reference = float(parts[-1].reference[-1])
            if self.watch:
                self.watch(self.machine.now, reference)
            if self.ends_after_due is not None and reference >= self.site.changeout_dp:
                last = self.machine.now + round(self.ends_after_due)
                self.seconds = min(self.seconds, last // BLOCK * BLOCK)
                self.ends_after_due = None
            if self.machine.now >= self.seconds:
                break
        self.labels.seconds = self.seconds
        return Record(*(np.concatenate(column) for column in zip(*parts, strict=True)))

    def _true(self, record: Record, temperature: Array) -> dict[str, Array]:
        """Signal id -> what its sensor meets, SI, one a second."""
        r, n = self.rng, self.seconds
        ripple = r.uniform(0.001, 0.004) * BAR * np.sqrt(np.maximum(record.forward, 0) / self.site.flow_ref)
        common = ripple * wandering(r, n, 1.0, r.uniform(1.5, 6))
        true: dict[str, Array] = {}
        for t in self.site.transmitters:
            i = self.site.vessels.index(t.vessel) if t.vessel else 0
            true[t.id] = {
                Role.INLET_PRESSURE: lambda: record.inlet + common,
                Role.OUTLET_PRESSURE: lambda: record.outlet + 0.8 * common,
                Role.DIFFERENTIAL_PRESSURE: lambda: record.inlet - record.outlet + 0.3 * common,
                Role.FLOW: lambda: record.flow if self.site.meter_upstream else record.forward,
                Role.TEMPERATURE: lambda: temperature,
                Role.TURBIDITY: lambda: self._turbidity(),
                Role.VESSEL_PRESSURE: lambda i=i: record.vessel[:, i] + np.where(record.vessel[:, i] > 0.3 * record.outlet, common, 0.0),
                Role.LEAK_SENSOR: lambda i=i: self._dampness(i),
                Role.PUMP_RUNNING: lambda: self._running(),
            }[t.role]()
        return true

    def _turbidity(self) -> Array:
        clear = self.rng.uniform(0.3, 1.2) * np.exp(wandering(self.rng, self.seconds, 0.12, 1800))
        for begin, end, factor in self._murk:
            part = slice(round(begin), round(end))
            clear[part] *= 1 + (factor - 1) * -np.expm1(-np.arange(clear[part].size) / 60.0)
        return clear

    def _dampness(self, vessel: int) -> Array:
        wet = np.zeros(self.seconds)
        for i, begin, end in self._wet:
            if i == vessel:
                wet[round(begin) : round(end)] = 1.0
        return wet

    def _running(self) -> Array:
        on = np.ones(self.seconds)
        for begin, end in self._stops:
            on[round(begin) : round(end)] = 0.0
        return on

    # -- labels from what the plant did --------------------------------------------------------------

    def _label_breaches(self, style: Style) -> None:
        for second, vessel, detail, label in self._breaches:
            if not label:
                continue
            size, repair = label["size"], [c.start for c in self.changes if c.vessel == vessel and c.start > second]
            until = float(min([*repair, self.seconds]))
            base = (60 if size >= 0.4 else 300) if detail == "in-service" else (300 if size >= 0.4 else 600)
            if size < 0.16 or until - second < base + 60:
                self.labels.allow("element-breach", second - 60, until)
                continue
            self.labels.expect(
                second, "element-breach", base + 3 * style.interval, vessel=self.site.vessels[vessel], detail=detail,
                size=round(size, 3), until=until, grade="likely" if size >= 0.4 or label["below"] else "suspected",
                **({"early_s": 60} if detail == "after-restart" else {}),
            )  # fmt: skip

    def _label_dues(self, second: Array, reference: Array) -> None:
        limit = self.site.changeout_dp
        for due in due_crossings(second, reference, limit, self.band):
            out = [c for c in self.changes if c.start < due.late and c.returned > due.time]
            early, late = due.time - due.early, due.late - due.time
            late += sum(again - stop + 300 for stop, again in self._stops if due.time - 300 < again and stop < due.late)
            self.labels.allow("changeout-due", due.early - 60, due.until + 60)
            if self.due_expected and not out:
                within = max(600.0, min(late, due.until - due.time))
                self.labels.expect(due.time, "changeout-due", within, until=due.until, early_s=round(max(early, 610.0)))
        for begin, end in spans(second, reference > (1 - self.band) * limit):
            self.labels.allow("changeout-due", begin - 60, end + 60)
        self._allow_forecasts(second, reference)

    def _allow_forecasts(self, second: Array, reference: Array) -> None:
        """Forecasts may be raised where the point is honestly within two days."""
        site, skid = self.site, self.site.skid
        need = blocking_integral(ratio_for(skid, site.element, site.changeout_dp), skid.exponent)
        levels = np.linspace(site.clean_dp, site.changeout_dp, 60)
        used = np.array([blocking_integral(ratio_for(skid, site.element, x), skid.exponent) for x in levels])
        left = (need - np.interp(reference, levels, used)) / site.element.loading
        hours = left / (0.75 * site.flow_ref / site.in_service) / 3600 / max(float(np.mean(self.solids)), 0.05)
        for begin, end in spans(second, hours < 48):
            self.labels.allow("changeout-forecast", begin - 60, end + 60)

    def _label_limit(self, record: Record) -> None:
        """dp-limit: expected where the true dP is clearly past 85 % of max_dp for a minute, allowed near it."""
        drop = np.where(record.forward > 0.02 * self.site.flow_ref, record.inlet - record.outlet, 0.0)
        limit, second = 0.85 * self.site.max_dp, np.arange(drop.size, dtype=float)
        for begin, end in spans(second, drop > 0.96 * limit):
            self.labels.allow("dp-limit", begin - 30, end + 60)
        for begin, end in spans(second, drop > 1.015 * limit):
            if end - begin >= 60 and not any(
                e["kind"] == "dp-limit" and begin - e["until"] < 60 for e in self.labels.events
            ):
                near = [(b, e) for b, e in spans(second, drop > 0.96 * limit) if b <= begin < e][0]
                self.labels.expect(begin, "dp-limit", 120, early_s=round(begin - near[0] + 30), until=near[1])

    def _truth(self, second: Array, record: Record) -> dict[str, Array]:
        left, fraction = self._lives(second, record.reference)
        at = second.astype(int)
        return {
            "second": second, "hours_to_due": left, "life_fraction": fraction, "dp_ref_bar": record.reference / BAR,
            **{f"resistance_{v}_bar": record.resistance[:, i] / BAR for i, v in enumerate(self.site.vessels)},
            "flow_m3h": record.forward[at] * 3600, "dp_bar": (record.inlet - record.outlet)[at] / BAR,
        }  # fmt: skip

    def _lives(self, second: Array, reference: Array) -> tuple[Array, Array]:
        """Hours to changeout-due and share of life used, where the recording shows the end of that life."""
        left, fraction = np.full(second.size, np.nan), np.full(second.size, np.nan)
        swaps = sorted(c.swapped for c in self.changes)
        for due in due_crossings(second, reference, self.site.changeout_dp, self.band):
            began = max([s for s in swaps if s <= due.time], default=-self._age)
            inside = (second >= began) & (second <= due.time)
            left[inside] = (due.time - second[inside]) / 3600
            fraction[inside] = (second[inside] - began) / max(due.time - began, 1.0)
        return left, fraction


def wandering(rng: np.random.Generator, size: int, spread: float, constant: float) -> Array:
    """A first-order autoregressive wander with standard deviation `spread` and time constant [s]."""
    from scipy.signal import lfilter

    a = math.exp(-1.0 / constant)
    white = rng.standard_normal(size) * math.sqrt(1 - a * a)
    start = float(rng.standard_normal())
    return np.asarray(spread * lfilter([1.0], [1.0, -a], white, zi=[a * start])[0])


def standby_in(story: Story, start: float, vessel: int) -> int:
    """Brings a standby vessel into service; returns when it carries its share."""
    return bring_in(story.machine, start, vessel, story.rng.uniform(2, 6))


def standby_out(story: Story, start: float, vessel: int) -> int:
    """Takes a vessel out of service, full and under pressure; returns when it is shut."""
    return take_out(story.machine, start, vessel, story.rng.uniform(2, 6))
