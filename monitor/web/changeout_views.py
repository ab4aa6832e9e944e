"""The routes of the record of changeouts and of the form for what no transmitter can tell."""

from __future__ import annotations

from functools import partial
from typing import Annotated

from fastapi import FastAPI, HTTPException, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from monitor.skid import SkidSettings
from monitor.web.acting import fields, leave, signer
from monitor.web.changeouts import (
    ACTION,
    KIND,
    LONGEST,
    QUESTIONS,
    WORDS,
    Record,
    as_csv,
    elements_used,
    record,
    records,
)
from monitor.web.data import Source
from monitor.web.live import Fragments
from monitor.web.pages import Pages
from monitor.web.site import Site
from monitor.web.views import LastEvent, Seen

Skid = Annotated[str | None, Query(max_length=200)]
EventId = Annotated[str, Query(max_length=500)]
SHOWN = 200


def add_changeouts(app: FastAPI, site: Site) -> None:
    """Adds /changeouts, its stream, its CSV, and the form."""
    @app.get("/changeouts", include_in_schema=False)
    async def changeouts(request: Request, skid: Skid = None) -> HTMLResponse:
        chosen = None if skid is None else site.skid(skid)
        make = partial(_parts, site.pages, chosen)
        stream = "/changeouts/live" + (f"?skid={chosen.id}" if chosen else "")
        return await site.answer(request, "changeouts.html", f"changeouts/{skid}", make, stream, skid=chosen)

    @app.get("/changeouts/live", include_in_schema=False)
    async def changeouts_live(skid: Skid = None, seen: Seen = None, last_event_id: LastEvent = None) -> Response:
        chosen = None if skid is None else site.skid(skid)
        return site.stream(f"changeouts/{skid}", partial(_parts, site.pages, chosen), seen, last_event_id)

    @app.get("/changeouts.csv", include_in_schema=False)
    async def as_table(skid: Skid = None) -> Response:
        chosen = None if skid is None else site.skid(skid).id
        text = as_csv(await site.hub.ask(lambda source: records(source, chosen)))
        return Response(text, media_type="text/csv; charset=utf-8",
                        headers={"content-disposition": 'attachment; filename="changeouts.csv"'})

    async def known(event: str) -> tuple[Record, SkidSettings]:
        found = await site.hub.ask(lambda source: source.event(event))
        if found is None or found.kind != KIND:
            raise HTTPException(404, f"No changeout {event!r} is on record.")
        return record(found), site.skid(found.skid)

    async def form(request: Request, event: str, given: dict[str, str], wrong: str = "") -> HTMLResponse:
        found, skid = await known(event)
        return await site.answer(request, "inspection.html", "newest", site.pages.only_newest, record=found, skid=skid,
                                 questions=QUESTIONS, given=given, wrong=wrong)

    @app.get("/changeouts/inspection", include_in_schema=False)
    async def inspection(request: Request, event: EventId) -> HTMLResponse:
        return await form(request, event, {})

    @app.post("/changeouts/inspection", include_in_schema=False)
    async def keep(request: Request, event: EventId) -> Response:
        given = await fields(request)
        found, skid = await known(event)
        told = answers(given)
        if not told:
            return await form(request, event, given, "Nothing was filled in.")
        await leave(site, skid.id, ACTION, {"event": event, "vessel": found.vessel, "who": signer(request, given),
                                            **told})
        return RedirectResponse(f"/changeouts?skid={skid.id}", 303)


def answers(given: dict[str, str]) -> dict[str, str]:
    """What of a form is an answer to one of the questions, or free text."""
    told = {name: given[name] for name, _, accepted in QUESTIONS if given.get(name) in accepted}
    return told | {w: given[w][:LONGEST] for w in WORDS if given.get(w)}


def _parts(pages: Pages, skid: SkidSettings | None, source: Source) -> Fragments:
    found = records(source, skid.id if skid else None)
    chosen = pages.settings.skids if skid is None else (skid,)
    return {"newest": pages.render("_newest.html", newest=source.newest()),
            "used": pages.render("_used.html", used=elements_used(source, chosen, found)),
            "records": pages.render("_records.html", records=found[:SHOWN])}
