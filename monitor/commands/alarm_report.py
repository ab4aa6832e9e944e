"""`bagwright report`: how the alarm system performs."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.commands.common import load_settings, say
from monitor.commands.stored import open_stored
from monitor.commands.wording import span
from monitor.model import DAY, NS
from monitor.times import to_rfc3339

if TYPE_CHECKING:
    from monitor.alarms.figures import Figures

MOST = 1_000_000


def run_report(config: Path, *, days: float, skid: str | None, as_json: bool) -> None:
    from monitor.alarms.figures import TARGETS, figures

    settings = load_settings(config)
    with open_stored(settings) as reader:
        last = reader.journal(skid, limit=1)
        end = max(reader.newest() or 0, last[0].time if last else 0) + NS
        start = end - round(days * DAY)
        entries = reader.journal(skid, start, end, limit=MOST)
    first = min((e.time for e in entries), default=start)
    found = figures(entries, max(start, min(first, end - DAY)), end)
    if as_json:
        say(json.dumps(asdict(found) | {"until": to_rfc3339(end), "targets": TARGETS}, indent=1))
        return
    for line in lines(found):
        say(line)


def lines(found: Figures) -> Iterator[str]:
    from monitor.alarms.figures import TARGETS

    yield f"alarms of the last {span(found.days * 86_400)}; targets of ISA-18.2, IEC 62682 and EEMUA 191, from memory"
    yield f"  announced            {found.annunciated}, {found.a_day:.1f} a day (about 150, at most 300)"
    yield (f"  in ten minutes       {found.per_10_min:.2f} on average (about 1), {found.most_in_10_min} at most; "
           f"floods {found.flood_share:.1%} of the time (under 1 %)")
    total = max(found.annunciated, 1)
    parts = (f"{p} {n} ({n / total:.0%}; about {TARGETS['priority_share'][p]:.0%})"      # type: ignore[index]
             for p, n in found.by_priority.items())
    yield f"  by priority          {', '.join(parts)}"
    yield f"  chattering           {', '.join(found.chattering) or 'none'} (none)"
    yield f"  fleeting             {found.fleeting} over within a minute"
    yield f"  stale                {', '.join(found.stale) or 'none'} (under 5): active for more than a day"
    half = found.median_to_acknowledge_s
    waited = "" if half is None else f", half of them within {span(half)}"
    yield f"  acknowledged         {found.acknowledged}{waited}"
    yield (f"  hidden               {found.shelved} shelved, {found.suppressed} suppressed by design, "
           f"{found.out_of_service} taken out of service")
    yield f"  refused              {found.refused} actions"
    yield f"  most frequent        {found.top_ten_share:.0%} of all are these (under 5 %):"
    yield from (f"    {number:>6}  {name}" for name, number in found.most_frequent)
