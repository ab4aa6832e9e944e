"""Changeouts that somebody told of, in words."""

from __future__ import annotations

from monitor.engine.story import SeenChange, ToldChange, VesselMemory
from monitor.engine.wording import clock, join, tags
from monitor.model import Event, Transition
from monitor.skid import SkidSettings

NOT_SEEN = {
    True: "The transmitters were read then and show no changeout of it; it is kept as told.",
    False: "Nothing is at hand of what was read then, if anything was.",
}


def told_event(skid: SkidSettings, change: ToldChange, lived: VesselMemory, time: int, *, read: bool) -> Event:
    """A changeout that nothing was seen of. lived: of the element that was taken out; read: the transmitters were."""
    vessel = skid.vessels[change.vessel]
    whole = lived.returned_at is not None and skid.in_service == len(skid.vessels)
    return Event(
        time=time, skid=skid.id, kind="changeout-done", transition=Transition.NOTED, vessel=vessel,
        detail="unverified", onset=change.at, unit="1",
        message=join(
            f"{skid.name} ({skid.id}, {tags(skid)}): vessel {vessel} was changed at {clock(change.at)}, as "
            f"{told_words(change)}.",
            NOT_SEEN[read], "Not verified: what its resistance was before and after is not known."
        ),
        evidence={
            "isolated_at": change.at, "returned_at": change.at, "opened": None,
            "life_h": round(lived.running_s / 3600, 3) if whole else None,
            "volume_m3": round(lived.volume, 3) if whole and lived.volume is not None else None,
            "told": told_object(skid, change), "seen": False,
        },
    )  # fmt: skip


def told_words(change: ToldChange) -> str:
    fitted = f", with {change.part}" if change.part else ""
    return f"{change.who} tells{fitted}"


def told_object(skid: SkidSettings, change: ToldChange) -> dict[str, object]:
    return {"vessel": skid.vessels[change.vessel], "at": change.at, "part": change.part, "who": change.who,
            "why": change.why}  # fmt: skip


def beside(skid: SkidSettings, change: ToldChange | None) -> str:
    """What was told of a changeout that was seen."""
    return "" if change is None else f"It was vessel {skid.vessels[change.vessel]}, {told_words(change)}."


def answer_seen(seen: SeenChange) -> str:
    if not seen.seen:
        return "it replaces what was told of it before"
    return f"it belongs to the changeout seen from {clock(seen.isolated_at)} to {clock(seen.returned_at)}"


def answer_waits(until: int) -> str:
    return f"no changeout has been seen yet; if none has by {clock(until)}, it stands as told"


def answer_stands(*, read: bool) -> str:
    return f"no changeout was seen then. {NOT_SEEN[read]}"
