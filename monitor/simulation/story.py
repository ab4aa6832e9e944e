"""A story: one site, what happens to it and to its transmitters, and the labels that follow.

Scenarios call the methods here to plan things at given seconds; `tell` runs the plant and returns the recording.
What was planned and what the plant then did decide the labels; nothing is read off the noisy samples.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from monitor.simulation.aftermath import HIGH_RATIO, LOW_RATIO, label_run, ratio_uncertainty
from monitor.simulation.labels import Labels
from monitor.simulation.machine import Machine, new_vessels, surroundings
from monitor.simulation.operator import Changeout, Element, Practice, change, draw_practice, isolate_briefly
from monitor.simulation.plant import CONTROL_FLOW, CONTROL_NONE, SETPOINT, Record, Surroundings
from monitor.simulation.sampling import Fault, Group, Style, sample
from monitor.simulation.senses import Signs, true_values, wandering
from monitor.simulation.site import BAR, Site, blocking_integral, ratio_for

Array = npt.NDArray[np.float64]
WARM_UP = 600        # s run before the recording begins, so that controllers have settled
BLOCK = 300          # s between looks at what the plant does
COLDEST = 275.0      # K


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
    """Plans and runs one recording. Seconds count from its start; temperature [K] and solids are planned courses."""

    site: Site
    rng: np.random.Generator
    start_ns: int
    seconds: int
    family: int
    band: float = 0.03                       # of changeout-due windows
    due_expected: bool = True
    ends_after_due: float | None = None      # s after the changeout point at which the recording ends
    watch: Callable[[int, float], None] | None = None
    faults: list[Fault] = field(default_factory=list)
    gaps: list[tuple[float, float]] = field(default_factory=list)
    changes: list[Changeout] = field(default_factory=list)
    verdicts: list[tuple[Changeout, str, float, bool, str | None]] = field(default_factory=list)
    breaches: list[tuple[float, int, str, dict[str, float]]] = field(default_factory=list)
    signs: Signs = field(default_factory=Signs)
    age: float = 0.0                         # s that the elements have served before the recording
    elements: list[Element] = field(init=False)
    machine: Machine = field(init=False)
    labels: Labels = field(init=False)
    temperature: Array = field(init=False)
    solids: Array = field(init=False)

    def __post_init__(self) -> None:
        site = self.site
        self.elements = [self.new_element() for _ in site.vessels]
        columns = (np.array([getattr(e, n) for e in self.elements]) for n in ("clean", "housing", "loading"))
        vessels = new_vessels(*columns)
        vessels.recovery[:] = site.flow_ref / site.in_service * self.rng.uniform(900, 7200, len(site.vessels))
        self.machine = Machine(site.skid, vessels, back=site.back, setpoint=site.setpoint)
        self.machine.now = -WARM_UP
        self.labels = Labels(self.start_ns, self.seconds)
        self.temperature = np.full(self.seconds, max(site.temperature_ref + self.rng.uniform(-5, 5), COLDEST))
        self.solids = np.ones(self.seconds)

    def between(self, low: float, high: float) -> float:
        """Seconds, drawn between two numbers of hours."""
        return float(self.rng.uniform(low, high)) * 3600

    # -- elements ------------------------------------------------------------------------------------

    def new_element(self) -> Element:
        """Another element of the same part: a few percent off the mean."""
        e, r = self.site.element, self.rng
        return Element(e.clean * r.normal(1, 0.025), e.housing * r.normal(1, 0.015), e.loading * r.normal(1, 0.06))

    def load_like(self, low: float, high: float, spread: float = 0.15) -> None:
        """Starts all vessels at shares of the way from clean to changeout, each a little different."""
        site, v, share = self.site, self.machine.vessels, self.rng.uniform(low, high)
        for i, element in enumerate(self.elements):
            own = float(np.clip(share + spread * self.rng.uniform(-1, 1), 0.0, 0.97))
            v.ratio[i] = ratio_for(site.skid, element, site.clean_dp + own * (site.changeout_dp - site.clean_dp))
            v.volume[i] = blocking_integral(float(v.ratio[i]), site.skid.exponent) / element.loading
        self.age = float(np.mean(v.volume)) / (0.92 * site.flow_ref / site.in_service)

    def due_in(self, hours: float) -> None:
        """Sets what the water carries so that the changeout point comes after about so many hours of usual flow."""
        site, skid = self.site, self.site.skid
        need = blocking_integral(ratio_for(skid, site.element, site.changeout_dp), skid.exponent)
        used = blocking_integral(ratio_for(skid, site.element, self.machine.at_reference()[0]), skid.exponent)
        loading = max(need - used, 0.02 * need) / (hours * 3600 * 0.92 * site.flow_ref / site.in_service)
        change = loading / site.element.loading
        self.machine.vessels.loading[:] *= change
        self.machine.vessels.volume[:] /= change
        self.age /= change
        self.site = replace(site, element=replace(site.element, loading=loading))

    def ratio_to_clean(self, element: Element) -> float:
        """Resistance of a vessel with this clean element over that of the mean clean one."""
        site, share = self.site, self.site.flow_ref / self.site.in_service
        square = element.housing * site.skid.density_ref + 2 * site.skid.valve
        return float((element.clean * share + square * share**2) / site.clean_dp)

    # -- what happens --------------------------------------------------------------------------------

    def change(
        self, start: float, vessel: int, practice: Practice | None = None, element: Element | None = None
    ) -> Changeout:
        """Plans a changeout; what is expected of its check is said with `expect_change`."""
        plan = change(self.machine, start, vessel, practice or draw_practice(self.rng), element or self.new_element())
        self.changes.append(plan)
        self.labels.allow("surge", plan.start - 40, plan.isolated + 200)
        return plan

    def good_change(self, start: float, vessel: int, practice: Practice | None = None) -> Changeout:
        """A changeout that goes as it should."""
        element = self.new_element()
        plan = self.change(start, vessel, practice, element)
        self.expect_change(plan, "good", self.ratio_to_clean(element))
        return plan

    def expect_change(self, plan: Changeout, verdict: str, ratio: float, cause: str | None = None) -> None:
        """Labels of a changeout with its verdict, once it is known what this site can tell at the return."""
        near = min(abs(ratio - limit) for limit in (LOW_RATIO, HIGH_RATIO))

        def label() -> None:
            unclear = near < ratio_uncertainty(self.site, self.machine, plan.vessel)
            self.verdicts.append((plan, verdict, ratio, unclear, cause))

        self.machine.at(plan.returned, label)

    def quick_isolation(self, start: float, vessel: int, lasting: float) -> None:
        """A vessel shut and opened again, not changed: a decoy."""
        both = bool(self.rng.random() < 0.3) and lasting > 60
        begin, end = isolate_briefly(
            self.machine, start, vessel, lasting, shut=self.rng.uniform(2, 6), outlet_too=both
        )
        self.labels.decoy(begin, end + 900, "quick isolation")
        self.labels.allow("surge", begin - 40, end + 200)

    def stop_pump(self, start: float, lasting: float, *, relax: float, overshoot: float | None = None) -> float:
        """Stops the pump and starts it again; a share of the cake lets go, most of which comes back.

        Returns when it starts.
        """
        again, comes_back = start + lasting, float(self.rng.uniform(0.5, 1.0))
        down, up = float(self.rng.uniform(2, 8)), float(self.rng.uniform(3, 10))
        extra = float(self.rng.uniform(0.0, 0.05)) if overshoot is None else overshoot
        self.machine.at(start, lambda: self.machine.stop_pump(down))
        self.machine.at(again - 1, lambda: self.relax(relax, comes_back))
        self.machine.at(again, lambda: self.machine.start_pump(1.0, over=up, overshoot=extra))
        self.signs.stops.append((start, again))
        self.labels.allow("surge", start - 15, start + 62)
        self.labels.allow("surge", again - 30, again + 180)
        return again

    def relax(self, share: float, comes_back: float) -> None:
        """Every vessel loses a share of its cake's resistance."""
        for i in range(self.machine.count):
            self.machine.lose(i, share * float(self.rng.uniform(0.6, 1.2)), comes_back)

    def scale_flow(self, start: float, share: float, over: float) -> None:
        """Moves demand to a share of the usual flow: by the set-point where flow is controlled, else by a valve."""
        control = self.site.skid.control
        if control == CONTROL_NONE:
            self.machine.at(start, lambda: self.machine.throttle(self.machine.throttle_for(share), over))
        elif control == CONTROL_FLOW:
            self.machine.at(start, lambda: self.machine.move(SETPOINT, share * self.site.setpoint, over))
        else:
            self.machine.at(start, lambda: self.machine.throttle(share**-2.0, over))

    def breach(self, second: float, vessel: int, loss: float, detail: str, *, seen: float | None = None) -> None:
        """An element tears at `second`: the skid's dP at reference conditions falls by `loss`, or what one vessel can.

        seen: when it can first be seen, where that is later.
        """
        lost: dict[str, float] = {}
        loading_left = float(self.rng.choice([0.0, self.rng.uniform(0, 0.15)]))

        def tear() -> None:
            lost["share"] = self.machine.tear_to_lose(vessel, loss, loading_left)
            lost["below"] = float(self.machine.at_reference()[0] < self.site.clean_dp)

        self.machine.at(second, tear)
        first = second if seen is None else seen
        self.signs.murk.append((first, self.seconds, float(self.rng.uniform(2.5, 8))))
        self.breaches.append((first, vessel, detail, lost))

    # -- running it ----------------------------------------------------------------------------------

    def tell(self, style: Style, *, seed: int, also: Callable[[Record], None] | None = None) -> Recording:
        """Runs the plant, labels what happened (`also` adds labels from the record) and samples it."""
        around, temperature = self._around()
        record = self._run(around)
        truth = label_run(self, record, style.interval)
        if also:
            also(record)
        true = true_values(self.site, record, temperature[: self.seconds], self.signs, self.rng)
        groups = sample(self.site, style, true, self.faults, self.gaps, self.start_ns, self.rng)
        document = self.labels.document(
            family=self.family, skid_days=round(self.seconds / 86_400, 4), instruments=self.site.instruments
        )
        return Recording(self.site, style, self.start_ns, groups, document, truth, seed)

    def _around(self) -> tuple[Surroundings, Array]:
        r, n = self.rng, self.seconds + WARM_UP
        temperature = np.concatenate([np.full(WARM_UP, self.temperature[0]), self.temperature])
        temperature = temperature + wandering(r, n, r.uniform(0.1, 0.6), r.uniform(3000, 20000))
        solids = np.concatenate([np.full(WARM_UP, self.solids[0]), self.solids])
        solids = solids * np.exp(wandering(r, n, r.uniform(0.0, 0.25), 5400))
        throttle = 1 + wandering(r, n, r.uniform(0.002, 0.012), r.uniform(300, 3600))
        back = wandering(r, n, r.uniform(0.002, 0.012) * BAR, r.uniform(60, 900))
        return surroundings(temperature, solids, throttle, back), temperature[WARM_UP:]

    def _run(self, around: Surroundings) -> Record:
        self.machine.run(Surroundings(*(a[:WARM_UP] for a in around)))
        parts = []
        while self.machine.now < self.seconds:
            begin = WARM_UP + self.machine.now
            end = min(begin + BLOCK, WARM_UP + self.seconds)
            parts.append(self.machine.run(Surroundings(*(a[begin:end] for a in around))))
            reference = float(parts[-1].reference[-1])
            if self.watch:
                self.watch(self.machine.now, reference)
            if self.ends_after_due is not None and reference >= self.site.changeout_dp:
                self.seconds = min(self.seconds, self.machine.now + round(self.ends_after_due / 60) * 60)
                self.ends_after_due = None
        self.labels.seconds = self.seconds
        return Record(*(np.concatenate(column) for column in zip(*parts, strict=True)))
