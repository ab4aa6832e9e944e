"""Changeouts: good, bad, hurried, one or several in turn; holds that are tight or seep; duty and standby."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from monitor.simulation.families.setting import Ask, setting
from monitor.simulation.operator import Element, bring_in, draw_practice, let_back, take_out
from monitor.simulation.site import BAR, Site
from monitor.simulation.story import Recording, Story

TIGHT_KELVIN = 0.3   # how far a tight hold may warm or cool
SHELL = 0.4 * BAR    # Pa per K of such a vessel, blocked in: some trapped air, a shell that gives
CAUSES = {
    "bunched": "resistance-high", "basket fouled": "resistance-high", "wrong rating": "resistance-high",
    "missing": "resistance-low", "not seated": "resistance-low", "too coarse": "resistance-low",
}  # fmt: skip


def good_changeouts(rng: np.random.Generator, ask: Ask) -> Recording:
    """One or several vessels changed as they should be; short isolations that are no changeouts."""
    site, story, style = setting(rng, ask, 5, (5, 7))
    story.load_like(0.35, 0.8)
    story.due_in(story.seconds / 3600 * float(rng.uniform(0.4, 4)))
    start = story.between(0.7, 1.4)
    if rng.random() < 0.65:
        story.quick_isolation(start, int(rng.integers(site.in_service)), float(rng.uniform(40, 300)))
        start += float(rng.uniform(1400, 2400))
    for vessel in _turn(rng, site):
        if start > story.seconds - 5400:
            break
        plan = story.good_change(start, vessel)
        start = plan.returned + float(rng.choice([rng.uniform(200, 700), rng.uniform(1500, 6000)]))
    return story.tell(style, seed=ask.seed)


def _turn(rng: np.random.Generator, site: Site) -> list[int]:
    """Which vessels are changed, in which order."""
    order = [int(i) for i in rng.permutation(site.in_service)]
    return order[: int(rng.integers(1, len(order) + 1))]


def bad_changeout(rng: np.random.Generator, ask: Ask) -> Recording:
    """A changeout that fails its check, and perhaps a good one beside it."""
    site, story, style = setting(rng, ask, 6, (5, 6.5))
    story.load_like(0.4, 0.85)
    story.due_in(story.seconds / 3600 * float(rng.uniform(0.4, 4)))
    cause, start = str(rng.choice(list(CAUSES))), story.between(0.8, 1.3)
    turn = _turn(rng, site)[:2]
    bad = int(rng.integers(len(turn)))
    for k, vessel in enumerate(turn):
        if k == bad:
            element = spoilt(rng, story.new_element(), cause)
            plan = story.change(start, vessel, element=element)
            story.expect_change(plan, CAUSES[cause], story.ratio_to_clean(element), cause)
        else:
            plan = story.good_change(start, vessel)
        start = plan.returned + float(rng.uniform(900, 5000))
        if start > story.seconds - 6000:
            break
    return story.tell(style, seed=ask.seed)


def spoilt(rng: np.random.Generator, element: Element, cause: str) -> Element:
    """An element fitted badly. Factors: common practice, no source."""
    if cause == "basket fouled":
        return replace(element, housing=element.housing * rng.uniform(2.3, 4.0))
    linear, loading = {
        "bunched": (rng.uniform(1.6, 2.5), 1.6), "wrong rating": (rng.uniform(1.8, 4.0), 2.0),
        "missing": (0.02, 0.0), "not seated": (rng.uniform(0.05, 0.4), 0.1),
        "too coarse": (rng.uniform(0.15, 0.4), 0.3),
    }[cause]  # fmt: skip
    return replace(element, clean=element.clean * linear, loading=element.loading * loading)


def closure_seep(rng: np.random.Generator, ask: Ask) -> Recording:
    """Vessels held full after their changeout: tight, drifting with temperature or seeping; leaks."""
    asked = ask.or_wishes(instruments=str(rng.choice(["HFTV", "HFTV", "HV", "HFTVL"])))
    site, story, style = setting(rng, asked, 8, (5, 7))
    story.load_like(0.4, 0.8)
    story.due_in(story.seconds / 3600 * float(rng.uniform(0.5, 4)))
    start = story.between(0.7, 1.1)
    for vessel in _turn(rng, site)[:3]:
        hold = float(rng.uniform(480, 1500))
        if start + hold > story.seconds - 5400:
            break
        start = _held_change(story, start, vessel, hold, seeps=bool(rng.random() < 0.5)) + float(rng.uniform(600, 3000))
    if rng.random() < 0.3 and start < story.seconds - 7200:
        start = _idle_hold(story, start + 1200, seeps=bool(rng.random() < 0.6))
    if site.has("L") and start < story.seconds - 3600:
        _leak(story, start + 900, int(rng.integers(site.in_service)))
    return story.tell(style, seed=ask.seed)


def _held_change(story: Story, start: float, vessel: int, hold: float, seeps: bool) -> float:
    rng, site = story.rng, story.site
    full = site.back + 0.8 * (site.skid.head - site.back)
    if seeps:
        drop = full * rng.choice([rng.uniform(0.1, 0.45), rng.uniform(0.03, 0.12)], p=[0.85, 0.15])
        constant, drift = -hold / math.log(1 - drop / full), 0.0
    else:
        drop, constant = 0.0, math.inf
        drift = rng.uniform(-1, 1) * TIGHT_KELVIN * SHELL / hold
    practice = replace(draw_practice(rng, hold=hold), seep=constant, thermal=drift)
    plan = story.good_change(start, vessel, practice)
    if site.has("L"):
        story.signs.wet.append((vessel, plan.vented + rng.uniform(60, 300), plan.filling + rng.uniform(-120, 600)))
        story.labels.decoy(plan.vented, plan.returned + 900, "drain spillage")
    if not seeps:
        story.labels.decoy(plan.held, plan.returned + 260, "tight hold")
    elif drop > 3 * (0.012 * BAR + TIGHT_KELVIN * SHELL):
        story.labels.expect(
            plan.held, "closure-seep", plan.returned + 260 - plan.held, vessel=site.vessels[vessel],
            detail="pressure-decay", size=round(constant / 60, 1), until=plan.returned,
        )  # fmt: skip
    else:
        story.labels.allow("closure-seep", plan.held, plan.returned + 260)
    return plan.returned


def _idle_hold(story: Story, start: float, seeps: bool) -> float:
    """The pump stands, the skid is shut off from its neighbours, and its pressure holds or decays."""
    rng, machine, level = story.rng, story.machine, story.site.back
    lasting = float(rng.uniform(2400, 4800))
    again = story.stop_pump(start, lasting, relax=float(rng.uniform(0, 0.06)))
    drop = float(rng.uniform(0.3, 0.7)) * level
    constant = -lasting / math.log(1 - drop / level) if seeps else math.inf
    machine.at(start + 60, lambda: machine.box_in(constant))
    machine.at(again - 30, machine.release)
    if not seeps:
        story.labels.decoy(start, again, "tight idle skid")
    elif drop > 3 * (0.012 + 0.12) * BAR:
        story.labels.expect(
            start + 60, "closure-seep", lasting - 60, detail="pressure-decay", size=round(constant / 60, 1), until=again
        )
    else:
        story.labels.allow("closure-seep", start, again)
    return again + 600


def _leak(story: Story, start: float, vessel: int) -> None:
    """A leak sensor gets wet in service."""
    until = min(start + story.rng.uniform(900, 3600), story.seconds - 600)
    story.signs.wet.append((vessel, start, until))
    story.labels.expect(
        start, "closure-seep", 180, vessel=story.site.vessels[vessel], detail="leak-sensor", until=until
    )


def passing_valve(rng: np.random.Generator, ask: Ask) -> Recording:
    """Changeouts in which a valve passes: pressure comes back in a vessel that is out and vented, soon or slowly."""
    site, story, style = setting(rng, ask.or_wishes(instruments=str(rng.choice(["HFTV", "HV"]))), 22, (5, 7))
    story.load_like(0.3, 0.8)
    story.due_in(story.seconds / 3600 * float(rng.uniform(0.5, 4)))
    start = story.between(0.7, 1.2)
    for vessel in _turn(rng, site)[:2]:
        practice = replace(draw_practice(rng), open_for=float(rng.uniform(1500, 2100)))
        plan = story.good_change(start, vessel, practice)
        header = site.back + 0.8 * (site.skid.head - site.back)
        goal, soon = header * float(rng.uniform(0.35, 1.0)), bool(rng.random() < 0.5)
        empty = plan.vented + 3.6 * practice.vent
        begin = empty + float(rng.uniform(25, 60) if soon else rng.uniform(150, 400))
        constant = float(rng.uniform(15, 200) if soon else rng.uniform(500, 1500))
        let_back(story.machine, plan, begin, begin + float(rng.uniform(600, 900)), goal, constant)
        seen = -constant * math.log(1 - 0.3 * BAR / goal)     # 0.3 bar is there
        story.labels.expect(
            begin, "vessel-repressurised", seen + (0 if soon else 240) + 4 * style.interval + 30,
            vessel=site.vessels[vessel], early_s=5,
        )  # fmt: skip
        start = plan.returned + float(rng.uniform(900, 2400))
        if start > story.seconds - 7200:
            break
    return story.tell(style, seed=ask.seed)


def standby_duty(rng: np.random.Generator, ask: Ask) -> Recording:
    """A standby vessel relieves a loaded one, which is changed off line and relieves the next."""
    vessels = ask.wishes.vessels or int(rng.choice([2, 3, 3, 4]))
    instruments = rng.choice(["HFTV", "HFTV", "HFT"])
    site, story, style = setting(rng, ask.or_wishes(standby=1, vessels=vessels, instruments=instruments), 13, (7, 10))
    story.load_like(0.5, 0.9)
    story.due_in(story.seconds / 3600 * float(rng.uniform(0.5, 3)))
    spare, machine = site.in_service, story.machine
    park(story, spare)
    start = story.between(0.8, 1.5)
    first = int(rng.integers(site.in_service))
    carried = bring_in(machine, start, spare, rng.uniform(2, 6))
    machine.at(carried, lambda: machine.vessels.duty.__setitem__([spare, first], [1.0, 0.0]))
    story.labels.decoy(start, carried + 1200, "standby coming in")
    relieved = carried + float(rng.uniform(60, 900))
    practice = draw_practice(rng, hold=float(rng.uniform(2400, 7200)))
    plan = story.good_change(relieved, first, practice)
    machine.at(plan.returned - 1, lambda: machine.vessels.duty.__setitem__([spare, first], [0.0, 1.0]))
    take_out(machine, plan.returned + float(rng.uniform(60, 600)), spare, rng.uniform(2, 6))
    story.labels.decoy(plan.held, plan.outlet_opened, "tight hold")
    story.labels.decoy(plan.returned, plan.returned + 1500, "standby coming in")
    return story.tell(style, seed=ask.seed)


def park(story: Story, vessel: int) -> None:
    """A clean vessel stands by, full, with both valves shut from the start."""
    machine, site = story.machine, story.site
    machine.vessels.ratio[vessel], machine.vessels.volume[vessel] = 1.0, 0.0
    machine.vessels.duty[vessel] = 0.0
    machine.vessels.pressure[vessel] = site.back + 0.6 * (site.skid.head - site.back)
    machine.vessels.goal[vessel] = machine.vessels.pressure[vessel]
    for valve in (machine.inlet_valve, machine.outlet_valve):
        valve(vessel, 0.0, 1.0)
    position, goal = machine.actuators.position, machine.actuators.goal
    position[:] = goal
