"""The routes of the report of a shift, a day or a month."""

from __future__ import annotations

import importlib.util
from datetime import UTC, datetime
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import FastAPI, HTTPException, Query, Request
from fastapi.responses import HTMLResponse, Response

from monitor.model import NS
from monitor.web.data import Source
from monitor.web.live import Fragments
from monitor.web.period import PERIODS, PeriodReport, edges, gather
from monitor.web.period_page import alone, body
from monitor.web.site import Site

Period = Annotated[str, Query(max_length=20)]
At = Annotated[str | None, Query(max_length=40, description="a time in the period, UTC")]
UTC_ZONE = ZoneInfo("UTC")


def add_report(app: FastAPI, site: Site) -> None:
    """Adds /report and its files."""
    async def span(period: str, at: str | None) -> tuple[int, int]:
        if period not in PERIODS:
            raise HTTPException(404, f"No report of a {period!r}; there are {', '.join(PERIODS)}.")
        newest = await site.hub.ask(lambda source: source.newest())
        return edges(period, _time(at) if at else newest or 0, UTC_ZONE)

    async def made(period: str, at: str | None) -> PeriodReport:
        start, end = await span(period, at)
        return await site.hub.ask(lambda source: gather(source, site.settings.skids, period, start, end))

    @app.get("/report", include_in_schema=False)
    async def report(request: Request, period: Period = "day", at: At = None) -> HTMLResponse:
        start, end = await span(period, at)

        def parts(source: Source) -> Fragments:
            found = gather(source, site.settings.skids, period, start, end)
            return {**site.pages.only_newest(source), "report": body(found, linked=True)}

        return await site.answer(request, "report.html", f"report/{period}/{start}", parts, period=period,
                                 periods=PERIODS, start=start, end=end, at=_field(start), before=_field(start - NS),
                                 after=_field(end), pdf=importlib.util.find_spec("fpdf") is not None)

    @app.get("/report/file.html", include_in_schema=False)
    async def as_page(period: Period = "day", at: At = None) -> Response:
        found = await made(period, at)
        return Response(alone(found), media_type="text/html; charset=utf-8", headers=_named(found, "html"))

    @app.get("/report/file.pdf", include_in_schema=False)
    async def as_paper(period: Period = "day", at: At = None) -> Response:
        from monitor.web.period_pdf import as_pdf

        found = await made(period, at)
        return Response(as_pdf(found), media_type="application/pdf", headers=_named(found, "pdf"))


def _time(text: str) -> int:
    try:
        return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * NS
    except (ValueError, OverflowError):
        raise HTTPException(400, f"{text!r} is no time, as 2026-03-01T06:00.") from None


def _field(time: int) -> str:
    return f"{datetime.fromtimestamp(time // NS, UTC):%Y-%m-%dT%H:%M}"


def _named(found: PeriodReport, ending: str) -> dict[str, str]:
    day = f"{datetime.fromtimestamp(found.start // NS, UTC):%Y-%m-%d-%H%M}"
    return {"content-disposition": f'attachment; filename="{found.period}-{day}.{ending}"'}
