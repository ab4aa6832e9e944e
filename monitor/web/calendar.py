"""Forecast changeouts as a feed that calendars subscribe to (iCalendar, RFC 5545; refresh interval of RFC 7986)."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING
from urllib.parse import quote

from fastapi import FastAPI, Request
from fastapi.responses import Response

from monitor.alarms.catalogue import CAUTION
from monitor.model import NS
from monitor.web.access import FEED
from monitor.web.acting import REFUSALS
from monitor.web.data import SkidNow
from monitor.web.site import Site

if TYPE_CHECKING:
    from icalendar import Event

KIND = "text/calendar; charset=utf-8"
FARTHEST_H = 90 * 24.0          # nobody plans by a forecast that lies farther off
LASTS = timedelta(hours=1)      # of an entry; the change itself takes about so long. Common practice, no source
REFRESH = timedelta(hours=1)


def add_calendar(app: FastAPI, site: Site) -> None:
    """Adds /calendar.ics. Where log-in is needed, calendars send a user's token as the password (`web/access.py`)."""
    @app.get(FEED, tags=["skids"], summary="When changeouts fall due, for calendars", response_class=Response,
             responses={**REFUSALS, 200: {"content": {"text/calendar": {}}}})
    async def calendar(request: Request) -> Response:
        skids = await site.hub.ask(lambda source: source.now(site.settings.skids))
        return Response(feed(skids, site.settings.web.address or str(request.base_url)), media_type=KIND)


def feed(skids: Iterable[SkidNow], address: str) -> bytes:
    """One entry for each skid with a forecast: at its median, its interval in words. address: of the page."""
    from icalendar import Calendar

    made = Calendar()
    for name, value in (("prodid", "-//Bagwright//forecast changeouts//EN"), ("version", "2.0"),
                        ("x-wr-calname", "Changeouts forecast")):
        made.add(name, value)
    made.add("refresh-interval", REFRESH, parameters={"value": "DURATION"})
    for found in skids:
        entry = _entry(found, address.rstrip("/"))
        if entry is not None:
            made.add_component(entry)
    return bytes(made.to_ical())


def _entry(found: SkidNow, address: str) -> Event | None:
    from icalendar import Event

    forecast, skid = found.forecast, found.skid
    if forecast is None or not math.isfinite(forecast.p50) or forecast.p50 > FARTHEST_H:
        return None
    told = datetime.fromtimestamp(forecast.time // NS, UTC)
    early, middle, late = (_minute(told, hours) for hours in (forecast.p10, forecast.p50, forecast.p90))
    last = "later than can be said" if late is None else f"{late:%Y-%m-%d %H:%M} UTC"
    assert middle is not None
    entry = Event()
    for name, value in (
        ("uid", f"changeout-due-{skid.id}@bagwright"),
        ("dtstamp", told), ("dtstart", middle), ("dtend", middle + LASTS),
        ("summary", f"Changeout due: {skid.name}"), ("transp", "TRANSPARENT"),
        ("url", f"{address}/skid/{quote(skid.id, safe='')}"),
        ("description", f"Forecast of {told:%Y-%m-%d %H:%M} UTC for {skid.name} ({skid.id}): the elements are due with "
                        f"80 % probability between {early:%Y-%m-%d %H:%M} UTC and {last}. It moves with every refresh."
                        f"\n\n{CAUTION}"),
    ):  # fmt: skip
        entry.add(name, value)
    return entry


def _minute(start: datetime, hours: float) -> datetime | None:
    """None where a calendar has no such date."""
    try:
        return (start + timedelta(hours=hours)).replace(second=0, microsecond=0)
    except (OverflowError, ValueError):
        return None
