"""Long service as most sites know it: days and nights, demand, lives that end with changeouts in working hours."""

from __future__ import annotations

import numpy as np

from monitor.simulation.families.changeouts import park
from monitor.simulation.families.setting import Ask, setting
from monitor.simulation.story import COLDEST, Recording, Story


def quiet_week(rng: np.random.Generator, ask: Ask) -> Recording:
    """A week with nights off, moves of demand and changeouts; nothing else happens."""
    asked = ask.or_wishes(instruments=rng.choice(["HFT", "HFT", "HFTV"]), interval=5.0)
    _, story, style = setting(rng, asked, 12, (168, 168), life=(30, 80))
    story.load_like(0.1, 0.5)
    days(story, nights=True, busy=1.0)
    Crew(story)
    return story.tell(style, seed=ask.seed)


def normal_service(rng: np.random.Generator, ask: Ask) -> Recording:
    """Weeks of varied service without any fault: for counting false alarms."""
    spare = int(rng.random() < 0.15)
    vessels = int(rng.choice([2, 3, 4])) if spare else None
    asked = ask.or_wishes(interval=float(rng.choice([2, 5, 5, 5])), standby=spare, vessels=vessels)
    site, story, style = setting(rng, asked, 17, (240, 240), life=(25, 160))
    story.load_like(0.0, 0.7)
    if site.in_service < len(site.vessels):
        park(story, site.in_service)
    days(story, nights=bool(rng.random() < 0.5), busy=float(rng.uniform(0.3, 1.5)))
    day = np.arange(story.seconds) / 86_400
    story.temperature = np.maximum(
        story.temperature + rng.uniform(0, 2.5) * np.sin(2 * np.pi * (day - 0.1)) + rng.normal(0, 0.2) * day, COLDEST
    )
    _solids(story)
    for start in np.cumsum(rng.exponential(60 * 3600, 20)):
        if 7200 < start < story.seconds - 7200 and rng.random() < 0.4:
            _small_slip(story, float(start))
    Crew(story)
    return story.tell(style, seed=ask.seed)


def _small_slip(story: Story, start: float) -> None:
    vessel, loss = int(story.rng.integers(story.site.in_service)), float(story.rng.uniform(0.02, 0.09))
    story.machine.at(start, lambda: story.machine.slip(vessel, loss, 0.5))
    story.labels.decoy(start, start + 1800, "cake slip")


def _solids(story: Story) -> None:
    """Slow weather in what the water carries, and now and then a slug of some hours."""
    rng, n = story.rng, story.seconds
    knots = np.arange(0, n + 86_400, 21_600)
    story.solids = np.exp(np.interp(np.arange(n), knots, rng.normal(0, 0.25, knots.size)))
    for begin in np.flatnonzero(rng.random(n // 3600) < 0.005) * 3600:
        story.solids[begin : begin + int(rng.uniform(2, 6) * 3600)] *= rng.uniform(1.5, 3.0)


def days(story: Story, *, nights: bool, busy: float) -> None:
    """Demand by day, stops by night. The recording begins at some hour of the morning."""
    rng = story.rng
    opens = (story.start_ns // 1_000_000_000) % 86_400
    for day in range(story.seconds // 86_400 + 1):
        midnight = day * 86_400 - opens
        if nights and rng.random() < 0.85:
            stop, again = midnight + rng.uniform(20.5, 23) * 3600, midnight + rng.uniform(27.5, 30) * 3600
            if stop > 3600 and again < story.seconds - 3600:
                story.stop_pump(stop, again - stop, relax=float(rng.uniform(0.0, 0.1)))
        for _ in range(rng.poisson(2.5 * busy)):
            _episode(story, midnight + float(rng.uniform(7, 20)) * 3600)


def _episode(story: Story, start: float) -> None:
    """Less (seldom more) flow for an hour or so."""
    rng = story.rng
    lasting = float(rng.uniform(1200, 9000))
    if start < 1800 or start + lasting > story.seconds - 1800:
        return
    over = float(rng.choice([10, 60, 120, 600]))
    story.scale_flow(start, float(rng.choice([rng.uniform(0.65, 0.95), rng.uniform(1.02, 1.08)], p=[0.85, 0.15])), over)
    story.scale_flow(start + lasting, 1.0, over)


class Crew:
    """Operators who change all vessels in turn some time after the point: in working hours, unless it presses."""

    def __init__(self, story: Story) -> None:
        self.story, self.busy_until = story, 0.0
        self.planned: float | None = None
        self._draw()
        story.watch = self.look

    def _draw(self) -> None:
        """At which share of the changeout point they begin to think of it, and how long they then take."""
        rng = self.story.rng
        self.share = float(rng.choice([1.0, 1.0, rng.uniform(0.75, 0.97)]))
        self.delay = float(rng.uniform(900, 9000))

    def look(self, now: int, reference: float) -> None:
        """Called every few minutes with the true dP at reference conditions [Pa]."""
        point = self.story.site.changeout_dp
        if now < self.busy_until or reference < self.share * point:
            return
        if self.planned is None:
            self.planned = self._working(now + self.delay)
        if now >= self.planned or reference > 1.12 * point:
            self._begin(now + 120.0)

    def _begin(self, start: float) -> None:
        story = self.story
        needed = 3600 * 1.2 * story.site.in_service + 3600
        stops = [(a, b) for a, b in story.signs.stops if a - needed < start < b + 1800]
        if stops or start + needed > story.seconds:
            self.busy_until = max([start, *(b + 1800 for _, b in stops)])
            return
        for vessel in story.rng.permutation(story.site.in_service):
            plan = story.good_change(start, int(vessel))
            if story.site.in_service == 1:      # nobody brings the standby in first: no path is left meanwhile
                story.labels.allow("flow-blocked", plan.start - 30, plan.returned + 60)
            start = plan.returned + float(story.rng.uniform(400, 1500))
        self.busy_until, self.planned = start + 1800, None
        self._draw()

    def _working(self, second: float) -> float:
        """The same second, or the next morning."""
        hour = ((self.story.start_ns / 1e9 + second) % 86_400) / 3600
        if 6.5 <= hour <= 17:
            return second
        return second + ((6.5 - hour) % 24) * 3600 + float(self.story.rng.uniform(0, 3600))
