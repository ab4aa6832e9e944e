"""A plain drawing of a skid: inlet header on top, vessels side by side, outlet header below. SVG text, no script."""

from __future__ import annotations

import math

from markupsafe import Markup

from monitor.model import Role
from monitor.web.data import SkidNow
from monitor.web.vessels import Valves, VesselNow, headers
from monitor.web.words import UNKNOWN, Display

_LEFT, _PITCH = 12, 150         # px: margin, and room of one vessel
_IN, _OUT = 52, 262             # y of the headers
_TOP, _FOOT = 104, 208          # y of a vessel's lid and foot
_HALF = 42                      # half a vessel's width
_LONGEST = 17                   # letters of a name
_STATES = {Valves.OPEN: "open", Valves.SHUT: "shut", Valves.UNKNOWN: "not known"}


def draw_skid(now: SkidNow, vessels: tuple[VesselNow, ...]) -> Markup:
    """The drawing, with what is read and inferred in words; as wide as its vessels need."""
    width = 2 * _LEFT + _PITCH * len(vessels)
    inlet, outlet = headers(now)
    parts = [_header(now, Role.INLET_PRESSURE, "Inlet", inlet, _IN, width, above=True),
             _header(now, Role.OUTLET_PRESSURE, "Outlet", outlet, _OUT, width, above=False)]
    parts += [_vessel(now, vessel, _LEFT + _PITCH * i + _PITCH // 2) for i, vessel in enumerate(vessels)]
    return Markup('<svg class="skid" role="img" aria-label="{label}" width="{w}" height="310" viewBox="0 0 {w} 310">'
                  "{parts}</svg>").format(label=_described(now, vessels), w=width, parts=Markup("").join(parts))


def _header(now: SkidNow, role: Role, name: str, pressure: float, y: int, width: int, *, above: bool) -> Markup:
    tags = ", ".join(s.id for s in now.skid.with_role(role))
    flow = next((v for v in now.values if v.signal.role is Role.FLOW), None)
    beside = ""
    if above and flow is not None and flow.time is not None and math.isfinite(flow.value):
        show = Display(now.skid).text("flow", flow.value * flow.signal.scale + flow.signal.offset)
        beside = f"{show}  {flow.signal.id}"
    text_y = y - 26 if above else y + 22
    return Markup(
        '<path class="pipe" d="M{a},{y}H{b}"/><text x="{a}" y="{t}" class="name">{name} '
        '<tspan class="reading">{value}</tspan> <tspan class="tag">{tags}</tspan></text>'
        '<text x="{a}" y="{u}" class="tag">{beside}</text>'
    ).format(a=_LEFT, b=width - _LEFT, y=y, t=text_y, u=text_y + 15, name=name, tags=tags, beside=beside,
             value=Display(now.skid).text("pressure", pressure))


def _vessel(now: SkidNow, vessel: VesselNow, x: int) -> Markup:
    pressure = Display(now.skid).text("pressure", vessel.pressure) if vessel.tag else ""
    return Markup(
        '<g class="vessel {state}{adverse}{guess}"><path class="pipe" d="M{x},{i}V{top}M{x},{foot}V{o}"/>{valves}'
        '<rect x="{l}" y="{top}" width="{w}" height="{h}" rx="12"/>'
        '<path class="bag" d="M{bl},{bt}H{br}V{bb}a14,10 0 0 1 -28,0z"/>'
        '<text x="{x}" y="{ny}" text-anchor="middle" class="name">{name}</text>'
        '<text x="{x}" y="{py}" text-anchor="middle" class="reading">{mark}{pressure}</text>'
        '<text x="{x}" y="{ty}" text-anchor="middle" class="tag">{tag}</text></g>'
    ).format(state=vessel.valves.value, adverse=" adverse" if vessel.adverse else "",
             guess="" if math.isfinite(vessel.pressure) else " guess", x=x, i=_IN, o=_OUT, top=_TOP,
             foot=_FOOT, l=x - _HALF, w=2 * _HALF, h=_FOOT - _TOP, bl=x - 14, br=x + 14, bt=_TOP + 8, bb=_FOOT - 22,
             ny=_TOP + 34, py=_TOP + 58, ty=_TOP + 76, name=_short(vessel.name), pressure=pressure,
             tag=_short(vessel.tag or ""),
             mark="! " if vessel.adverse else "",
             valves=_valve(x, (_IN + _TOP) // 2, vessel.valves) + _valve(x, (_FOOT + _OUT) // 2, vessel.valves))


def _short(text: str) -> str:
    """What finds room in the pitch of a vessel; the whole stands in the table beside the drawing."""
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST - 1]}\u2026"


def _valve(x: int, y: int, valves: Valves) -> Markup:
    """A bow tie: hollow is open, filled is shut, dashed is not known or told by the headers alone; the word stands
    beside it."""
    tie = Markup('<path class="valve" d="M{a},{b}L{c},{d}H{a}L{c},{b}z"/>'
                 '<text x="{t}" y="{u}" class="tag">{word}</text>')
    return tie.format(a=x - 8, b=y - 9, c=x + 8, d=y + 9, t=x + 14, u=y + 4, word=_STATES[valves])


def _described(now: SkidNow, vessels: tuple[VesselNow, ...]) -> str:
    """What a reader who cannot see the drawing is told."""
    show = Display(now.skid)
    inlet, outlet = (show.text("pressure", p) for p in headers(now))
    told = [f"Skid {now.skid.name}: inlet header {inlet}, outlet header {outlet}."]
    for vessel in vessels:
        pressure = show.text("pressure", vessel.pressure)
        known = "no pressure known" if pressure == UNKNOWN else pressure
        told.append(f"Vessel {vessel.name}: {known}, {vessel.words}.")
    return " ".join(told)
