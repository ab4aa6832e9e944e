"""The routes of the pages, their event streams, and the health check."""

from __future__ import annotations

from functools import partial
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import FastAPI, Header, HTTPException, Query, Request
from fastapi.exception_handlers import http_exception_handler
from fastapi.responses import HTMLResponse, JSONResponse, Response
from sse_starlette import EventSourceResponse
from starlette.exceptions import HTTPException as AnyHTTPException

from monitor.errors import MonitorError
from monitor.model import Settings
from monitor.web.data import Source
from monitor.web.live import Fragments, Hub, Maker
from monitor.web.pages import DEFAULT_SPAN, SPANS, Pages

LastEvent = Annotated[str | None, Header(alias="last-event-id")]


def add_views(app: FastAPI, hub: Hub, settings: Settings) -> None:
    """Adds /, /live, /skid/ID, /skid/ID/live and /healthz, and how faults are answered."""
    pages = Pages(settings)

    def maker(skid: str, span: str) -> Maker:
        if skid not in pages.skids:
            raise HTTPException(404, f"No skid {skid!r} is configured.")
        if span not in SPANS:
            raise HTTPException(404, f"No span {span!r}; there are {', '.join(SPANS)}.")
        return partial(_skid_parts, pages, skid, span)

    async def answer(template: str, key: str, make: Maker, stream: str, **values: Any) -> HTMLResponse:
        version = hub.version
        parts = await hub.fragments(key, make)
        joint = "&" if "?" in stream else "?"
        return HTMLResponse(pages.page(template, parts, stream=f"{stream}{joint}seen={version}", age=hub.age,
                                       old=hub.old, **values))

    @app.get("/", include_in_schema=False)
    async def overview() -> HTMLResponse:
        return await answer("overview.html", "/", pages.overview, "/live")

    @app.get("/live", include_in_schema=False)
    async def overview_live(seen: str | None = None, last_event_id: LastEvent = None) -> Response:
        return EventSourceResponse(hub.stream("/", pages.overview, last_event_id or seen))

    @app.get("/skid/{skid}", include_in_schema=False)
    async def skid_page(skid: str, span: str = DEFAULT_SPAN) -> HTMLResponse:
        stream = f"/skid/{quote(skid, safe='')}/live?span={span}"
        return await answer("skid.html", f"{span}/{skid}", maker(skid, span), stream,
                            skid=pages.skids[skid], span=span, spans=SPANS)

    @app.get("/skid/{skid}/live", include_in_schema=False)
    async def skid_live(skid: str, span: str = DEFAULT_SPAN, seen: Annotated[str | None, Query(max_length=40)] = None,
                        last_event_id: LastEvent = None) -> Response:
        return EventSourceResponse(hub.stream(f"{span}/{skid}", maker(skid, span), last_event_id or seen))

    @app.get("/healthz", tags=["health"], summary="Whether the store can be read, and how long ago it changed")
    async def healthz() -> dict[str, Any]:
        await hub.look()
        return {"status": "old" if hub.old else "ok", "store_age_s": round(hub.age, 1)}

    async def refused(request: Request, error: Exception) -> Response:
        assert isinstance(error, AnyHTTPException)
        if _wants_json(request):
            return await http_exception_handler(request, error)
        title = "Not here" if error.status_code == 404 else "That did not work"
        message = "There is no such page." if error.detail == "Not Found" else error.detail
        return HTMLResponse(pages.page("sorry.html", {}, title=title, message=message), error.status_code)

    async def failed(request: Request, error: Exception) -> Response:
        if _wants_json(request):
            return JSONResponse({"status": "failed", "detail": str(error)}, 503)
        return HTMLResponse(pages.page("sorry.html", {}, title="The store cannot be read", message=str(error)), 503)

    app.add_exception_handler(AnyHTTPException, refused)
    app.add_exception_handler(MonitorError, failed)


def _skid_parts(pages: Pages, skid: str, span: str, source: Source) -> Fragments:
    return pages.skid(source, pages.skids[skid], span)


def _wants_json(request: Request) -> bool:
    return request.url.path.startswith(("/api/", "/healthz"))
