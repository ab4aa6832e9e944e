"""Changeouts that somebody told of: this vessel was changed at that time, with that element.

People and transmitters each know what the other misses. What is told becomes part of the changeout that was seen about
then: which vessel it was, what was fitted, by whom. What nothing was seen of, since the monitor was off or the step was
too small, stands as told, unverified: one element's life ends there and another's begins. Told against what was
measured it is kept as well, and that is said.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.engine import codes, forecasting
from monitor.engine.breach import changed_unseen
from monitor.engine.look_back import level
from monitor.engine.messages_told import answer_seen, answer_stands, answer_waits, told_event
from monitor.engine.story import NORMAL, SeenChange, Story, ToldChange, VesselMemory
from monitor.engine.told import Answer, Told
from monitor.model import NS, Action, Fact

if TYPE_CHECKING:
    from monitor.engine.event_tier import EventTier, Teller

CHANGED = "changed"
ABOUT_S = 1200        # a time that a person tells is that of a changeout seen within so long before or after. Common
                      # practice, no source; the look back still holds it then
READ_S = 60           # after a time: whether anything was read then
KEPT = 16


def take_told(tier: EventTier, i: int, action: Action) -> Told:
    """The action `changed`: body vessel, at [ns], part."""
    skid, told = tier.skids[i], Told()
    name = str(action.body.get("vessel", ""))
    if name not in skid.vessels:
        told.answers.append(Answer(False, f"{skid.id} has no vessel {name[:60]}"))
        return told
    teller = tier.teller(i, told)
    teller.credit()
    change = ToldChange(skid.vessels.index(name), int(action.body["at"]), str(action.body.get("part", "")), action.by,
                        action.reason)  # fmt: skip
    told.answers.append(Answer(True, _put(teller, change, action.time)))
    return told


def _put(teller: Teller, change: ToldChange, time: int) -> str:
    story = teller.story
    seen = _match(story, change)
    if seen is not None:
        join(teller, seen, change, time)
        return answer_seen(seen)
    story.told_changes = [*(t for t in story.told_changes if not _same(t, change)), change][-KEPT:]
    if story.phase != NORMAL or time < change.at + ABOUT_S * NS:
        _wake(teller)
        return answer_waits(change.at + ABOUT_S * NS)
    return _stand(teller, change, time)


def follow_told(teller: Teller, time: int) -> None:
    """What was told and has not been seen by now stands as told."""
    if teller.story.phase != NORMAL:
        return
    for change in [t for t in teller.story.told_changes if time >= t.at + ABOUT_S * NS]:
        _stand(teller, change, time)
    _wake(teller)


def _wake(teller: Teller) -> None:
    first = min((t.at + ABOUT_S * NS for t in teller.story.told_changes), default=0)
    teller.state.wake_at[codes.FOR_TOLD] = first


def claim(story: Story, vessel: int | None, isolated_at: int, returned_at: int) -> ToldChange | None:
    """What was told of a changeout that has now been seen."""
    seen = SeenChange(vessel, isolated_at, returned_at)
    fitting = [t for t in story.told_changes if _fits(seen, t)]
    return min(fitting, key=lambda t: abs(t.at - returned_at), default=None)


def record(teller: Teller, seen: SeenChange, by: ToldChange | None, time: int) -> None:
    """Remember a changeout, so that what is told of it later finds it."""
    teller.story.seen_changes = [*teller.story.seen_changes, seen][-KEPT:]
    if by is not None:
        join(teller, seen, by, time)


def join(teller: Teller, seen: SeenChange, change: ToldChange, time: int) -> None:
    """What was told becomes part of a changeout that was seen; told again, it replaces what was told before."""
    story, skid = teller.story, teller.skid
    if seen.by is not None and seen.by.vessel != change.vessel and seen.vessel is None:
        _take_back(story, seen)
    seen.by = change
    story.told_changes = [t for t in story.told_changes if not _same(t, change)]
    memory = story.vessels[change.vessel]
    if memory.returned_at is None or memory.returned_at < seen.returned_at:
        memory = story.vessels[change.vessel] = begun(memory, seen.returned_at, time)
    if memory.returned_at == seen.returned_at:
        memory.part, memory.fitted_by = change.part, change.who
    teller.told.facts.append(Fact(skid.id, f"changeout/{seen.returned_at}", {
        "vessel": skid.vessels[change.vessel], "part": change.part, "who": change.who, "why": change.why,
        "told_for": change.at, "isolated_at": seen.isolated_at, "returned_at": seen.returned_at,
        "seen": seen.seen}, time))  # fmt: skip


def begun(memory: VesselMemory, at: int, time: int) -> VesselMemory:
    """A vessel's new element since `at`: of what the vessel carried since its last return, the part of that time."""
    elapsed = max(time - at, 0) / NS
    whole = elapsed if memory.returned_at is None else max((time - memory.returned_at) / NS, 1.0)
    part = min(elapsed / whole, 1.0) if whole > 0 else 0.0
    running = min(memory.running_s * part, elapsed)
    share = running / memory.running_s if memory.running_s > 0 else 0.0
    return VesselMemory(at, running, None if memory.volume is None else memory.volume * share)


def _stand(teller: Teller, change: ToldChange, time: int) -> str:
    """Nothing was seen of it: it stands as told."""
    story = teller.story
    story.told_changes = [t for t in story.told_changes if not _same(t, change)]
    lived = story.vessels[change.vessel]
    read = level(teller.history, change.at, change.at + READ_S * NS) is not None
    teller.told.events.append(told_event(teller.skid, change, lived, time, read=read))
    forecasting.changed_as_told(teller.skid, story, teller.told, teller.rows, teller.index, change, time)
    record(teller, SeenChange(change.vessel, change.at, change.at, seen=False), change, time)
    changed_unseen(teller, change, time)
    return answer_stands(read=read)


def _take_back(story: Story, seen: SeenChange) -> None:
    """The other vessel that had been told of first was not changed."""
    assert seen.by is not None
    memory = story.vessels[seen.by.vessel]
    if memory.returned_at == seen.returned_at:
        memory.returned_at, memory.part, memory.fitted_by = None, "", ""


def _match(story: Story, change: ToldChange) -> SeenChange | None:
    fitting = [s for s in story.seen_changes if _fits(s, change)]
    free = [s for s in fitting if s.by is None or s.by.vessel == change.vessel]
    return min(free or fitting, key=lambda s: abs(change.at - s.returned_at), default=None)


def _fits(seen: SeenChange, change: ToldChange) -> bool:
    return seen.vessel in (None, change.vessel) and (
        seen.isolated_at - ABOUT_S * NS <= change.at <= seen.returned_at + ABOUT_S * NS)  # fmt: skip


def _same(a: ToldChange, b: ToldChange) -> bool:
    return a.vessel == b.vessel and abs(a.at - b.at) <= ABOUT_S * NS
