"""The routes of overview, skid and event, their streams, and how faults are answered."""

from __future__ import annotations

import json
from functools import partial
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import FastAPI, Header, HTTPException, Query, Request
from fastapi.exception_handlers import http_exception_handler
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse, Response
from starlette.exceptions import HTTPException as AnyHTTPException
from starlette.routing import Match, Mount

from monitor.errors import MonitorError
from monitor.web.access import wants_json
from monitor.web.acting import REFUSALS
from monitor.web.live import Maker
from monitor.web.pages import DEFAULT_SPAN, SPANS, Around
from monitor.web.site import Site

METHODS = ("GET", "HEAD", "POST")
LastEvent = Annotated[str | None, Header(alias="last-event-id")]
Seen = Annotated[str | None, Query(max_length=40)]
Until = Annotated[int | None, Query(ge=0, le=9_000_000_000, description="end of the span, seconds since 1970")]


def add_views(app: FastAPI, site: Site) -> None:
    """Adds /, /skid/ID, /event/ID, the streams of the first two, and how faults are answered."""
    pages = site.pages

    def maker(skid: str, span: str, until: int | None) -> Maker:
        found = site.skid(skid)
        if span not in SPANS:
            raise HTTPException(404, f"No span {span!r}; there are {', '.join(SPANS)}.")
        return lambda source: pages.skid(source, found, Around(span, until))

    @app.get("/", include_in_schema=False)
    async def overview(request: Request) -> HTMLResponse:
        return await site.answer(request, "overview.html", "/", pages.overview, "/live")

    @app.get("/live", include_in_schema=False)
    async def overview_live(seen: Seen = None, last_event_id: LastEvent = None) -> Response:
        return site.stream("/", pages.overview, seen, last_event_id)

    @app.get("/skid/{skid}", include_in_schema=False)
    async def skid_page(request: Request, skid: str, span: str = DEFAULT_SPAN, until: Until = None) -> HTMLResponse:
        make = maker(skid, span, until)
        stream = None if until is not None else f"/skid/{quote(skid, safe='')}/live?span={span}"
        return await site.answer(request, "skid.html", f"{span}/{until}/{skid}", make, stream, skid=site.skid(skid),
                                 span=span, spans=SPANS, until=until)

    @app.get("/skid/{skid}/live", include_in_schema=False)
    async def skid_live(skid: str, span: str = DEFAULT_SPAN, seen: Seen = None,
                        last_event_id: LastEvent = None) -> Response:
        return site.stream(f"{span}/None/{skid}", maker(skid, span, None), seen, last_event_id)

    @app.get("/event/{event_id:path}", include_in_schema=False)
    async def event_page(request: Request, event_id: str) -> HTMLResponse:
        event = await site.hub.ask(lambda source: source.event(event_id))
        if event is None or event.skid not in pages.skids:
            raise HTTPException(404, f"No event {event_id!r} is kept.")
        return await site.answer(request, "event.html", f"event/{event_id}", partial(pages.event, event=event),
                                 event=event, skid=site.skid(event.skid))

    @app.get("/healthz", tags=["health"], responses=REFUSALS,
             summary="Whether the store can be read, and how long ago it changed")
    async def healthz() -> dict[str, Any]:
        await site.hub.look()
        return {"status": "old" if site.hub.old else "ok", "store_age_s": round(site.hub.age, 1)}

    _add_faults(app, site)


def _add_faults(app: FastAPI, site: Site) -> None:
    def sorry(status: int, title: str, message: str) -> HTMLResponse:
        return HTMLResponse(site.pages.sorry(title, message), status)

    async def refused(request: Request, error: Exception) -> Response:
        assert isinstance(error, AnyHTTPException)
        if error.status_code == 405:        # else it names only those of the first route of that path
            error.headers = {**(error.headers or {}), "Allow": ", ".join(_methods(app, request))}
        if wants_json(request.url.path):
            return await http_exception_handler(request, error)
        title = "Not here" if error.status_code == 404 else "That did not work"
        message = "There is no such page." if error.detail == "Not Found" else error.detail
        answer = sorry(error.status_code, title, message)
        answer.headers.update(error.headers or {})
        return answer

    async def failed(request: Request, error: Exception) -> Response:
        if wants_json(request.url.path):
            return JSONResponse({"status": "failed", "detail": str(error)}, 503)
        return sorry(503, "The store cannot be read", str(error))

    async def unreadable(request: Request, error: Exception) -> Response:
        """As FastAPI says it, but for what was sent: no answer could hold that where it is half a character or NaN."""
        assert isinstance(error, RequestValidationError)
        said = [{key: fault[key] for key in ("type", "loc", "msg")} for fault in error.errors()]
        return Response(json.dumps({"detail": said}), 422, media_type="application/json")

    app.add_exception_handler(AnyHTTPException, refused)
    app.add_exception_handler(RequestValidationError, unreadable)
    app.add_exception_handler(MonitorError, failed)


def _methods(app: FastAPI, request: Request) -> list[str]:
    """What a path is asked with (RFC 9110, 15.5.6)."""
    routes = [r for r in app.routes if not isinstance(r, Mount)]
    found = [m for m in METHODS if any(r.matches({**request.scope, "method": m})[0] is Match.FULL for r in routes)]
    return found or ["GET", "HEAD"]     # what is mounted are files
