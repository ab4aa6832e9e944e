"""Torn or bypassed elements, in service and across restarts, and what looks like them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from monitor.simulation.families.changeouts import park
from monitor.simulation.families.setting import Ask, setting
from monitor.simulation.operator import bring_in, take_out
from monitor.simulation.plant import BACK, CONTROL_NONE, SETPOINT, SPEED
from monitor.simulation.sampling import Fault
from monitor.simulation.site import BAR
from monitor.simulation.story import COLDEST, Recording, Story


def torn_in_service(rng: np.random.Generator, ask: Ask) -> Recording:
    """An element tears while it carries flow; demand moves before and after."""
    site, story, style = setting(rng, ask, 3, (5, 7.5))
    story.load_like(0.25, 0.85)
    story.due_in(story.seconds / 3600 * float(rng.uniform(0.8, 6)))
    torn = story.seconds * float(rng.uniform(0.35, 0.6))
    story.breach(torn, int(rng.integers(site.in_service)), float(rng.uniform(0.15, 0.8)), "in-service")
    if rng.random() < 0.6:
        share, over = float(rng.uniform(0.85, 0.97)), float(rng.choice([5, 60, 300]))
        story.scale_flow(torn - story.between(0.8, 1.6), share, over)
        story.scale_flow(torn + story.between(0.8, 1.8), 1.0, over)
    return story.tell(style, seed=ask.seed)


def breach_after_restart(rng: np.random.Generator, ask: Ask) -> Recording:
    """An element lost across a stop of the pump or of the monitor; stops and gaps across which none is lost."""
    site, story, style = setting(rng, ask, 7, (5, 7))
    story.load_like(0.3, 0.85)
    story.due_in(story.seconds / 3600 * float(rng.uniform(1, 6)))
    start, vessel = story.between(1.2, 2.1), int(rng.integers(site.in_service))
    lasting, loss = float(rng.uniform(600, 6000)), float(rng.uniform(0.18, 0.75))
    torn, gap = bool(rng.random() < 0.7), bool(rng.random() < 0.35)
    if gap:
        again = start + lasting
        story.gaps.append((start, again))
        story.labels.allow("signal-fault", start, again + 60, detail="stale")   # a gap is silence, and told as such
    else:
        again = story.stop_pump(start, lasting, relax=float(rng.uniform(0, 0.07)))
    if torn:
        moment = start + lasting * float(rng.uniform(0.3, 0.9)) if gap else again - 1
        story.breach(moment, vessel, loss, "after-restart", seen=again)
    else:
        story.labels.decoy(start, again + 4500, "gap, nothing lost" if gap else "restart, cake relaxation only")
    second = again + float(rng.uniform(1000, 4500))
    if second < story.seconds - 4500:
        back = story.stop_pump(second, float(rng.uniform(300, 1800)), relax=float(rng.uniform(0, 0.08)))
        story.labels.decoy(second, back + 3600, "restart, cake relaxation only")
    return story.tell(style, seed=ask.seed)


Plan = Callable[[Story, float, float], str]


def decoys(rng: np.random.Generator, ask: Ask) -> Recording:
    """What changes pressures and is no breach, one after the other."""
    spare = 1 if rng.random() < 0.3 else 0
    asked = ask.or_wishes(standby=spare, vessels=int(rng.choice([2, 3, 4])) if spare else None)
    site, story, style = setting(rng, asked, 4, (8, 13))
    story.load_like(0.2, 0.7)
    story.due_in(story.seconds / 3600 * float(rng.uniform(1.2, 8)))
    if site.in_service < len(site.vessels):
        park(story, site.in_service)
    possible = [p for p in PLANS if _possible(story, p)]
    start = story.between(0.8, 1.3)
    for k in rng.permutation(len(possible)):
        lasting = float(rng.uniform(1800, 6000))
        if start + lasting > story.seconds - 3600:
            break
        what = possible[int(k)](story, start, lasting)
        story.labels.decoy(start, start + lasting + 300, what)
        start += lasting + float(rng.uniform(1500, 3600))
    return story.tell(style, seed=ask.seed)


def _throttle(story: Story, start: float, lasting: float) -> str:
    factor, over = float(story.rng.uniform(1.4, 5.0)), float(story.rng.uniform(2, 20))
    story.machine.at(start, lambda: story.machine.throttle(factor, over))
    story.machine.at(start + lasting, lambda: story.machine.throttle(1.0, over))
    return "throttle"


def _flow_ramp(story: Story, start: float, lasting: float) -> str:
    over = lasting * 0.3
    story.scale_flow(start, float(story.rng.uniform(0.65, 0.9)), over)
    story.scale_flow(start + lasting - over, 1.0, over)
    return "flow-ramp"


def _back_pressure(story: Story, start: float, lasting: float) -> str:
    usual, lift = story.site.back, float(story.rng.choice([-0.25, 0.2, 0.4])) * BAR
    over = float(story.rng.uniform(2, 30))
    story.machine.at(start, lambda: story.machine.move(BACK, max(usual + lift, 0.05 * BAR), over))
    story.machine.at(start + lasting, lambda: story.machine.move(BACK, usual, over))
    return "back-pressure"


def _temperature(story: Story, start: float, lasting: float) -> str:
    change = float(story.rng.choice([-4, 5, 9, 13]))
    knots = start + lasting * np.array([0.0, 0.2, 0.8, 1.0])
    course = np.interp(np.arange(story.seconds), knots, [0, change, change, 0])
    story.temperature = np.maximum(story.temperature + course, COLDEST)
    return "temperature"


def _speed_step(story: Story, start: float, lasting: float) -> str:
    speed, over = float(story.rng.uniform(0.86, 0.97)), float(story.rng.uniform(2, 15))
    story.machine.at(start, lambda: story.machine.move(SPEED, speed, over))
    story.machine.at(start + lasting, lambda: story.machine.move(SPEED, 1.0, over))
    return "speed step"


def _set_point(story: Story, start: float, lasting: float) -> str:
    setpoint, share = story.site.setpoint, float(story.rng.choice([0.85, 0.92, 1.05]))
    story.machine.at(start, lambda: story.machine.move(SETPOINT, share * setpoint, 5))
    story.machine.at(start + lasting, lambda: story.machine.move(SETPOINT, setpoint, 5))
    return "set-point step"


def _cake_slip(story: Story, start: float, lasting: float) -> str:
    vessel, loss = int(story.rng.integers(story.site.in_service)), float(story.rng.uniform(0.04, 0.30))
    comes_back = float(story.rng.uniform(0.2, 0.9))
    story.machine.at(start, lambda: story.machine.slip(vessel, loss, comes_back))
    if loss > 0.11:
        story.labels.allow("element-breach", start - 30, start + lasting + 300)
    return "cake slip"


def _stop(story: Story, start: float, lasting: float) -> str:
    story.stop_pump(start, lasting * 0.4, relax=float(story.rng.uniform(0, 0.09)))
    return "pump stop and start"


def _standby(story: Story, start: float, lasting: float) -> str:
    spare = story.site.in_service
    bring_in(story.machine, start, spare, story.rng.uniform(2, 6))
    take_out(story.machine, start + lasting, spare, story.rng.uniform(2, 6))
    return "standby coming in"


def _zero_shift(story: Story, start: float, lasting: float) -> str:
    t = story.site.transmitters[int(story.rng.integers(2)) if story.site.has("H") else 0]
    size = t.span * float(story.rng.choice([-1, 1]) * story.rng.uniform(0.004, 0.012))
    story.faults.append(Fault("zero-shift", t.id, start, story.seconds, size))
    story.labels.allow("signal-fault", start, story.seconds, detail="zero-shift")
    return "zero shift, no breach"


def _failing(story: Story, start: float, lasting: float) -> str:
    t = story.site.transmitters[int(story.rng.integers(2)) if story.site.has("H") else 0]
    story.faults.append(Fault("out-of-range", t.id, start, start + lasting, float(story.rng.choice([-1, 0, 1]))))
    story.labels.expect(start, "signal-fault", 60, detail="out-of-range", signal=t.id, until=start + lasting)
    return "failing transmitter"


PLANS: tuple[Plan, ...] = (
    _throttle, _flow_ramp, _back_pressure, _temperature, _speed_step, _set_point, _cake_slip, _stop, _standby,
    _zero_shift, _failing,
)  # fmt: skip


def _possible(story: Story, plan: Plan) -> bool:
    site = story.site
    if not site.has("H") and not site.has("F"):
        # With nothing but dP a throttled flow and a lost resistance are the same.
        return plan in (_flow_ramp, _temperature, _stop, _zero_shift, _failing)
    if plan is _temperature:
        return site.has("T")
    if plan is _set_point:
        return site.skid.control != CONTROL_NONE
    if plan is _standby:
        return site.in_service < len(site.vessels)
    if plan in (_throttle, _speed_step):
        return site.skid.control == CONTROL_NONE
    return True
