"""What each kind means and asks for, in the words that messages, pages and the manual share.

Consequence, response and time to respond are the rationalisation of ISA-18.2 / IEC 62682; the filtration
practice in them is common practice, no source.

Alarms need a response. Alerts and events (`NO_ALARMS`) tell; nobody is asked to acknowledge them.
"""

from __future__ import annotations

from dataclasses import dataclass

# Paraphrases 29 CFR 1910.147 (stored energy, verification) and the usual rules for closures.
CAUTION = (
    "Before a housing is opened: isolate inlet and outlet and any by-pass, drain and vent to a safe place, prove zero "
    "at the local gauge and an open vent, watch for pressure coming back through a passing valve, and stand clear of "
    "the lid. Hot or hazardous contents: the site's own procedure. This monitor advises and cannot prove that a vessel "
    "is safe to open; local codes, the maker's instructions and licensed or competent persons govern."
)


MONITOR = "monitor"                 # the name under which the monitor tells of itself, in place of a skid's
MONITOR_FAULT = "monitor-fault"


def of_monitor(skid: str) -> bool:
    """Whether a name in a skid's place is the monitor's, or that of one of several, `monitor 3`."""
    return skid.partition(" ")[0] == MONITOR


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of alarm: priority high/medium/low, and minutes within which the response is useful.

    latching: it stays until a person resets it. realarm_h: announced again when acknowledged and still there for so
    long, 0 never. shelve_h: the longest it can be shelved. moment: it is only noted, and returned at once.
    """

    name: str
    priority: str
    meaning: str
    consequence: str
    response: str
    respond_within_min: int
    opens_vessel: bool      # the response involves opening a housing: messages carry CAUTION
    latching: bool = False
    realarm_h: float = 0.0
    shelve_h: float = 12.0
    moment: bool = False


CATALOGUE: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind(
            name="changeout-due",
            priority="medium",
            meaning="The elements have loaded.",
            consequence="Flow sags or pressure at the inlet climbs, and in the end an element can fail.",
            response="Plan the change: one vessel at a time while the rest carry the flow, the most loaded first.",
            respond_within_min=8 * 60,
            opens_vessel=True,
        ),
        Kind(
            name="dp-limit",
            priority="high",
            meaning="The dP across the elements nears what they are built for.",
            consequence="An element can tear, collapse or lift off its seat and let solids through.",
            response="Lower the flow or bring a standby vessel in now, then change the elements.",
            respond_within_min=10,
            opens_vessel=True,
            realarm_h=8,
            shelve_h=1,
        ),
        Kind(
            name="changeout-suspect",
            priority="medium",
            meaning="The vessel does not behave as one with a clean, well seated element.",
            consequence="Water may go round the element unfiltered, or the new element's life is short from the start.",
            response="Isolate the vessel again by the site's procedure; look at seat, clamp, o-ring, element, basket.",
            respond_within_min=60,
            opens_vessel=True,
            latching=True,
        ),
        Kind(
            name="element-breach",
            priority="high",
            meaning="An element is likely torn, bypassed or off its seat.",
            consequence="Water passes unfiltered; what the filters protect is exposed.",
            response="Look at the water downstream and at turbidity; take the vessels out one at a time, by the site's "
            "procedure, and look at element, seat and clamp.",
            respond_within_min=30,
            opens_vessel=True,
            latching=True,
            realarm_h=8,
            shelve_h=4,
        ),
        Kind(
            name="closure-seep",
            priority="medium",
            meaning="Something lets water out that ought to be held: closure, drain, vent or isolating valve.",
            consequence="A closure that weeps can open up under pressure; a passing valve can fill an open vessel.",
            response="Keep people clear of the closure while it is under pressure; look from a distance for drips at "
            "lid, drain and vent, and find out whether an isolating valve passes.",
            respond_within_min=30,
            opens_vessel=True,
            shelve_h=8,
        ),
        Kind(
            name="surge",
            priority="high",
            meaning="A slow pressure transient went past the limit. Water hammer proper is over in less than a second "
            "and cannot be seen here: the true peak may have been higher.",
            consequence="Elements, baskets, gaskets and closures are overstressed; an element can lift off its seat.",
            response="Find what moved at that time (pump, valve, check valve, users downstream) and slow it down; "
            "look at dP and at the closures afterwards.",
            respond_within_min=30,
            opens_vessel=False,
            shelve_h=1,
        ),
        Kind(
            name="flow-blocked",
            priority="high",
            meaning="There is no path through the skid while the pump pushes.",
            consequence="The pump runs against its shut-off head and heats what stands in it; vessels see the highest "
            "pressure that it can make.",
            response="Bring a vessel back into service or stop the pump; check every isolating valve before "
            "starting again, and open slowly.",
            respond_within_min=5,
            opens_vessel=False,
            realarm_h=8,
            shelve_h=1,
        ),
        Kind(
            name="pressure-rise",
            priority="high",
            meaning="Pressure grows in a vessel that is blocked in.",
            consequence="Trapped liquid that warms, or a passing inlet valve, can take the vessel past what it is "
            "built for; whoever opens it meets pressure.",
            response="Keep away from the closure; relieve the pressure by the site's procedure, from a safe place, and "
            "find out whether an isolating valve passes.",
            respond_within_min=10,
            opens_vessel=True,
            shelve_h=1,
            moment=True,
        ),
        Kind(
            name="vessel-repressurised",
            priority="high",
            meaning="Pressure comes back in an isolated, emptied vessel, sooner than by filling or more slowly.",
            consequence="Whoever works on the vessel, its lid perhaps loose or open, meets water under pressure.",
            response="If anybody works on this vessel: stop, keep clear of the lid, do not loosen or tighten it under "
            "pressure; find the valve that passes, isolate and vent again.",
            respond_within_min=1,
            opens_vessel=True,
            shelve_h=1,
            moment=True,
        ),
        Kind(
            name="blocked-outside",
            priority="medium",
            meaning="The pump pushes and nothing flows, but the path through the skid is open.",
            consequence="The pump runs against its shut-off head and heats what stands in it; users get no water.",
            response="Check valves and users downstream, or stop the pump.",
            respond_within_min=10,
            opens_vessel=False,
            moment=True,
        ),
        Kind(
            name="loading-unusual",
            priority="medium",
            meaning="dP does not rise while volume passes, or rises many times as fast as in any earlier life.",
            consequence="Where it does not rise water may pass unfiltered; where it races the elements fill early.",
            response="Look at the water upstream and downstream; where solids are there and dP does not rise, take the "
            "vessels out one at a time, by the site's procedure, and look at element and seat; where dP races, have "
            "elements at hand.",
            respond_within_min=4 * 60,
            opens_vessel=True,
            moment=True,
        ),
        Kind(
            name="reverse-dp",
            priority="medium",
            meaning="The outlet shows more pressure than the inlet while something flows.",
            consequence="Backward flow lifts elements off their seats and puts what they caught into the outlet.",
            response="Find out whether water really flows back (check valve, users downstream) or a transmitter lies.",
            respond_within_min=30,
            opens_vessel=False,
            moment=True,
        ),
        Kind(
            name="signal-fault",
            priority="low",
            meaning="A transmitter cannot be believed.",
            consequence="What rests on it is not watched until it is back.",
            response="Look at the transmitter, its impulse line, wiring and gateway; meanwhile read the local gauges.",
            respond_within_min=8 * 60,
            opens_vessel=False,
            shelve_h=72,
        ),
        Kind(
            name=MONITOR_FAULT,
            priority="medium",
            meaning="The monitor itself is not in order.",
            consequence="Alarms may come late or not arrive.",
            response="Watch the skids by other means until it is mended; what failed is in the message.",
            respond_within_min=60,
            opens_vessel=False,
            shelve_h=72,
        ),
    )
}

NO_ALARMS = {"changeout-forecast": "alert", "changeout-done": "event"}
PRIORITIES = ("high", "medium", "low")


def sort_of(kind: str) -> str:
    """`alarm`, `alert` or `event`; a kind that nobody listed is an event.

    >>> sort_of("dp-limit"), sort_of("changeout-forecast"), sort_of("changeout-done")
    ('alarm', 'alert', 'event')
    """
    return "alarm" if kind in CATALOGUE else NO_ALARMS.get(kind, "event")
