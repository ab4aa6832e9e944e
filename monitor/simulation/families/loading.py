"""Loading: plain, with demand and temperature swings, and through the changeout point."""

from __future__ import annotations

import numpy as np

from monitor.simulation.families.setting import Ask, setting
from monitor.simulation.plant import CONTROL_FLOW, CONTROL_NONE
from monitor.simulation.story import Recording, Story


def plain_loading(rng: np.random.Generator, ask: Ask) -> Recording:
    """From clean to past the changeout point, with a few moves of demand."""
    _, story, style = setting(rng, ask.or_wishes(instruments=str(rng.choice(["HFT", "HFTV"]))), 1, (14, 22))
    story.load_like(0.0, 0.08, spread=0.02)
    story.due_in(story.seconds / 3600 * float(rng.uniform(0.6, 0.8)))
    story.ends_after_due = float(rng.uniform(1200, 3600))
    for start in np.cumsum(rng.uniform(0.8, 4.5, 8)) * 3600:
        if start < story.seconds:
            story.scale_flow(start, float(rng.uniform(0.8, 1.06)), float(rng.choice([20, 60, 300])))
    return story.tell(style, seed=ask.seed)


def demand_swings(rng: np.random.Generator, ask: Ask) -> Recording:
    """Demand by +/- 40 % and water by 10 K: raw dP passes the changeout point many times, referred dP once."""
    control = int(rng.choice([CONTROL_NONE, CONTROL_NONE, CONTROL_FLOW]))
    asked = ask.or_wishes(instruments=str(rng.choice(["HFT", "HFTV"])), control=control)
    _, story, style = setting(rng, asked, 15, (20, 28))
    story.load_like(0.5, 0.75, spread=0.04)
    story.due_in(story.seconds / 3600 * float(rng.uniform(0.5, 0.85)))
    story.band = 0.05
    _swing(story)
    warm = rng.uniform(6, 12) * np.sin(np.linspace(0, np.pi, story.seconds)) ** 0.8
    story.temperature = story.site.temperature_ref + rng.uniform(-8, -2) + (warm if rng.random() < 0.7 else 8 - warm)
    story.labels.decoy(0, story.seconds, "demand swings")
    return story.tell(style, seed=ask.seed)


def _swing(story: Story) -> None:
    rng, start, high = story.rng, 0.0, True
    while start < story.seconds:
        share = rng.uniform(1.2, 1.4) if high else rng.uniform(0.58, 0.8)
        story.scale_flow(start, float(share), float(rng.uniform(120, 700)))
        start += float(rng.uniform(2400, 6600))
        high = not high
