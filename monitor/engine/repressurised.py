"""An emptied vessel whose pressure comes back by itself, in words; `detectors.come_back` tells it from filling."""

from __future__ import annotations

from monitor.alarms.catalogue import CATALOGUE, CAUTION
from monitor.detectors.come_back import EMPTY, FILLS_S, SOON_S
from monitor.engine.codes import TOO_SOON
from monitor.engine.row_tier import Emission, RowTier
from monitor.engine.wording import BAR, Words, clock, join
from monitor.model import NS, Event, Transition
from monitor.skid import SkidSettings


def repressurised_event(emission: Emission, skid: SkidSettings, tier: RowTier) -> Event:
    name, words, since = skid.vessels[emission.signal], Words(skid), emission.onset
    emptied = int(tier.state.skid[emission.skid].emptied[emission.signal])
    rose, empty = (emission.time - since) / NS, (since - emptied) / NS
    how = (
        f"only {empty:.0f} s after it was vented, sooner than an element can be changed"
        if emission.detail == TOO_SOON
        else f"for {rose:.0f} s by now, more slowly than filling takes it"
    )
    return Event(
        time=emission.time, skid=skid.id, kind="vessel-repressurised", transition=Transition.NOTED, vessel=name,
        onset=since, value=round(emission.value / BAR, 6), unit="bar",
        message=join(
            f"{skid.name} ({skid.id}): vessel {name} was isolated and without pressure since {clock(emptied)}; since "
            f"{clock(since)} its pressure has been coming back, {words.pressure(emission.value)} now: {how}.",
            "Water comes in past an isolating valve that passes, or past one that was not shut.",
            CATALOGUE["vessel-repressurised"].response,
            CAUTION,
        ),
        evidence={"pressure_pa": round(emission.value, 1), "rose_for_s": round(rose), "empty_for_s": round(empty),
                  "filling_s": FILLS_S, "soon_s": SOON_S, "empty_below_pa": EMPTY},
    )  # fmt: skip
