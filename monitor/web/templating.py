"""One Jinja environment for the page and the report: everything is escaped, an unknown name is an error."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING

from markupsafe import Markup

from monitor.alarms.plant_words import spoken
from monitor.model import Event
from monitor.skid import Handling, SkidSettings
from monitor.web.words import (
    CAUTION,
    UNKNOWN,
    Display,
    clock,
    digits_for,
    duration,
    fixed,
    handling,
    iso,
    kind_of,
    level_of,
    printed,
    unit_symbol,
)

if TYPE_CHECKING:
    from jinja2 import Environment

HERE = Path(__file__).parent
STATIC = HERE / "static"

_SHAPES = {
    "high": "M2,2H14V14H2Z",            # a square, a triangle, a diamond, a ring: told apart without colour
    "medium": "M8,1.5L15,14H1Z",
    "low": "M8,1L15,8L8,15L1,8Z",
    "note": "M8,3.2A4.8,4.8 0 1 1 7.99,3.2Z",
}


def environment(*folders: Path, skids: Iterable[SkidSettings] = (), zone: tzinfo = UTC) -> Environment:
    """Templates of `folders`, then those of this package. skids: whose configuration says how alarms are dealt with.
    zone: by whose clocks times are told."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    made = Environment(
        loader=FileSystemLoader([*folders, HERE / "templates"]), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True, auto_reload=False)
    known = {skid.id: skid for skid in skids}
    made.filters.update(
        kind=lambda name: kind_of(name).words, level=lambda event: level_of(event, known.get(event.skid)),
        plant=lambda of: spoken(of.kind, of.detail), handling=lambda of: handling(known.get(of.skid), of.kind),
        duration=duration, when=lambda time: when(time, zone), when_in=when, unit=unit_symbol, value=event_value,
        clock=clock, symbol=symbol, brief=brief,
        seen=lambda of: seen(of.message, handling(known.get(of.skid), of.kind)), printed=printed,
        pressure=lambda skid, value: Display(skid).text("pressure", value))
    made.globals.update(caution=CAUTION, unknown=UNKNOWN)
    return made


def when(time: int, zone: tzinfo) -> Markup:
    """A time as `<time>`, by the clocks of `zone`; the script adds the reader's own where they differ."""
    return Markup('<time datetime="{}">{}</time>').format(iso(time, zone), clock(time, zone))


def symbol(level: str) -> Markup:
    """The shape of a level of urgency; the word beside it is what is read aloud."""
    return Markup('<svg class="symbol {level}" width="16" height="16" viewBox="0 0 16 16" aria-hidden="true">'
                  '<path d="{shape}"/></svg>').format(level=level, shape=_SHAPES[level])


def brief(message: str) -> str:
    """A message without the caution that stands at the foot of every page, units as they are printed."""
    return printed(message.replace(CAUTION, "").strip())


def seen(message: str, rule: Handling | None) -> str:
    """A message without what is to be done, where the page says that in its own place."""
    return brief(message if rule is None else " ".join(message.replace(rule.response, "").split()))


def event_value(event: Event) -> str:
    """What was compared, in the unit of the event."""
    if event.value is None:
        return UNKNOWN
    return f"{fixed(event.value, digits_for(event.value))} {unit_symbol(event.unit or '')}".strip()


def inline(name: str) -> Markup:
    """One of our own static files, to be put inside a page."""
    return Markup((STATIC / name).read_text(encoding="utf-8"))      # noqa: S704 - our own file


def leaves(tree: dict[str, object], above: str = "") -> Iterator[tuple[str, object]]:
    """The ends of nested dictionaries with readable names: {"rejected": {"late": 3}} gives ("rejected: late", 3)."""
    for key, value in tree.items():
        name = f"{above}: {key}" if above else str(key)
        if isinstance(value, dict):
            yield from leaves(value, name)
        else:
            yield name.replace("_", " "), value
