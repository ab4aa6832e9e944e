"""The routes of the report of a shift, a day or a month, by the clocks of the site or of the reader."""

from __future__ import annotations

import importlib.util
from datetime import datetime
from typing import Annotated
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from fastapi import FastAPI, HTTPException, Query, Request
from fastapi.responses import HTMLResponse, Response

from monitor.model import NS
from monitor.web.data import Source
from monitor.web.live import Fragments
from monitor.web.period import PERIODS, PeriodReport, edges, gather
from monitor.web.period_page import alone, body
from monitor.web.site import Site

Period = Annotated[str, Query(max_length=20)]
At = Annotated[str | None, Query(max_length=40, description="a time in the period, by the clocks of the zone")]
Zone = Annotated[str | None, Query(max_length=60, description="whose clocks it goes by, as Europe/Oslo")]


def add_report(app: FastAPI, site: Site) -> None:
    """Adds /report and its files."""
    def zone_of(name: str | None) -> ZoneInfo:
        try:
            return ZoneInfo(name or site.settings.web.timezone)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            raise HTTPException(400, f"{name!r} is no time zone; accepted: a name of the IANA database, as "
                                     "Europe/Oslo.") from None

    async def moment(period: str, at: str | None, zone: ZoneInfo) -> int:
        """The time asked for, else the newest reading's, ns."""
        if period not in PERIODS:
            raise HTTPException(404, f"No report of a {period!r}; there are {', '.join(PERIODS)}.")
        if at:
            return _time(at, zone)
        newest: int | None = await site.hub.ask(lambda source: source.newest())
        return newest or 0

    async def made(period: str, at: str | None, name: str | None) -> PeriodReport:
        zone = zone_of(name)
        asked = await moment(period, at, zone)
        return await site.hub.ask(lambda source: gather(source, site.settings.skids, period, asked, zone))

    @app.get("/report", include_in_schema=False)
    async def report(request: Request, period: Period = "day", at: At = None, zone: Zone = None) -> HTMLResponse:
        clocks = zone_of(zone)
        asked = await moment(period, at, clocks)
        start, end = edges(period, asked, clocks)

        def parts(source: Source) -> Fragments:
            found = gather(source, site.settings.skids, period, asked, clocks)
            return {**site.pages.only_newest(source), "report": body(found, linked=True)}

        return await site.answer(request, "report.html", f"report/{period}/{start}/{clocks.key}", parts, period=period,
                                 periods=PERIODS, start=start, end=end, at=_field(start, clocks),
                                 before=_field(start - NS, clocks), after=_field(end, clocks), zone=clocks,
                                 zones=list(dict.fromkeys((clocks.key, site.settings.web.timezone, "UTC"))),
                                 pdf=importlib.util.find_spec("fpdf") is not None)

    @app.get("/report/file.html", include_in_schema=False)
    async def as_page(period: Period = "day", at: At = None, zone: Zone = None) -> Response:
        found = await made(period, at, zone)
        return Response(alone(found), media_type="text/html; charset=utf-8", headers=_named(found, "html"))

    @app.get("/report/file.pdf", include_in_schema=False)
    async def as_paper(period: Period = "day", at: At = None, zone: Zone = None) -> Response:
        from monitor.web.period_pdf import as_pdf

        found = await made(period, at, zone)
        return Response(as_pdf(found), media_type="application/pdf", headers=_named(found, "pdf"))


def _time(text: str, zone: ZoneInfo) -> int:
    """A time of its own offset, else by the clocks of `zone`, ns."""
    try:
        found = datetime.fromisoformat(text)
        return int((found if found.tzinfo else found.replace(tzinfo=zone)).timestamp()) * NS
    except (ValueError, OverflowError):
        raise HTTPException(400, f"{text!r} is no time, as 2026-03-01T06:00.") from None


def _field(time: int, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(time // NS, zone):%Y-%m-%dT%H:%M}"


def _named(found: PeriodReport, ending: str) -> dict[str, str]:
    day = f"{datetime.fromtimestamp(found.start // NS, found.zone):%Y-%m-%d-%H%M}"
    return {"content-disposition": f'attachment; filename="{found.period}-{day}.{ending}"'}
