"""What every family starts from: a site, a place in time, a story."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from monitor.simulation.plant import CONTROL_FLOW
from monitor.simulation.sampling import Style, draw_style
from monitor.simulation.site import Site, Wishes, draw_site, with_life
from monitor.simulation.story import Story

NS = 1_000_000_000
NEW_YEAR_2025 = 1_735_689_600
ANY = Wishes()


@dataclass(frozen=True, slots=True)
class Ask:
    """What was asked of a scenario: length in days where given, wishes for the site, and the recorder's style."""

    seed: int
    days: float | None = None
    wishes: Wishes = ANY
    style: Style | None = None

    def or_wishes(self, **defaults: object) -> Ask:
        """The same, with wishes that were left open filled in."""
        mine, usual = self.wishes, Wishes()
        still_open = {k: v for k, v in defaults.items() if getattr(mine, k) == getattr(usual, k)}
        return replace(self, wishes=replace(mine, **still_open))  # type: ignore[arg-type]


def clocks_change(zone: str, start_ns: int, seconds: int) -> bool:
    """Whether local clocks are put forward or back during a recording or within a day of it."""
    ends = (start_ns // NS - 86_400, start_ns // NS + seconds + 86_400)
    before, after = (datetime.fromtimestamp(t, UTC).astimezone(ZoneInfo(zone)).utcoffset() for t in ends)
    return before != after


def setting(
    rng: np.random.Generator, ask: Ask, family: int, hours: tuple[float, float], *, life: tuple[float, float] = (12, 60)
) -> tuple[Site, Story, Style]:
    """A site with elements that live for about `life` hours and a story of about `hours`."""
    site = with_life(draw_site(rng, ask.wishes), float(rng.uniform(*life)))
    seconds = round((ask.days * 24 if ask.days else rng.uniform(*hours)) * 60) * 60
    start = (NEW_YEAR_2025 + int(rng.integers(0, 330)) * 86_400 + int(rng.integers(5 * 3600, 11 * 3600))) * NS
    while ask.style and ask.style.zone and clocks_change(ask.style.zone, start, seconds):
        start += 7 * 86_400 * NS
    story = Story(site, rng, start, seconds, family)
    if not site.has("T"):
        story.temperature[:] = site.temperature_ref + rng.uniform(-1.5, 1.5)
        story.band = 0.06
    if not site.has("F") and site.skid.control != CONTROL_FLOW:
        story.due_expected = False
    return site, story, ask.style or draw_style(rng, site)
