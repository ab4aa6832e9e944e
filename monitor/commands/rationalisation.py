"""The rationalisation table of `check`: what each alarm means for the operator (ISA-18.2 / IEC 62682)."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.commands.wording import span, wrapped
from monitor.skid import SkidSettings

INDENT = " " * 24


def rationalisation_lines(skid: SkidSettings) -> Iterator[str]:
    """A few lines a kind: letters, status, priority, time to respond, latch, times; consequence; response."""
    from monitor.alarms.handling import rationalisation
    from monitor.alarms.plant_words import spoken

    yield f"{skid.id}: what each alarm asks for ([alarm.KIND] changes it)"
    for kind, handling, enabled in rationalisation(skid):
        facts = [f"{handling.priority} priority", f"respond within {span(handling.respond_within_s)}"]
        facts += ["latches"] if handling.latching else []
        facts += [f"again after {span(handling.realarm_s)}"] if handling.realarm_s else []
        facts.append(f"shelved for {span(handling.shelve_limit_s)} at most")
        yield f"  {kind:<22}{', '.join(facts) if enabled else 'off'}"
        if enabled:
            if words := spoken(kind):
                yield f"{INDENT}ISA-5.1 and NE 107: {words}" if "," in words else f"{INDENT}NE 107: {words}"
            yield wrapped(INDENT + "if not: ", handling.consequence, INDENT)
            yield wrapped(INDENT + "do: ", handling.response, INDENT)
