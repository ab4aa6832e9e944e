"""The routes of the changeout companion."""

from __future__ import annotations

from functools import partial
from urllib.parse import quote

from fastapi import FastAPI, HTTPException, Request
from fastapi.responses import HTMLResponse, Response

from monitor.skid import SkidSettings
from monitor.web.companion import remarks, warnings, watch
from monitor.web.data import Source
from monitor.web.live import Fragments
from monitor.web.pages import Pages
from monitor.web.procedure import steps_of
from monitor.web.site import Site
from monitor.web.views import LastEvent, Seen


def add_companion(app: FastAPI, site: Site) -> None:
    """Adds /companion/SKID/VESSEL and its stream."""
    def known(skid: str, vessel: str) -> SkidSettings:
        found = site.skid(skid)
        if vessel not in found.vessels:
            raise HTTPException(404, f"{found.name} has no vessel {vessel!r}; it has {', '.join(found.vessels)}.")
        return found

    @app.get("/companion/{skid}/{vessel}", include_in_schema=False)
    async def companion(request: Request, skid: str, vessel: str) -> HTMLResponse:
        found = known(skid, vessel)
        stream = f"/companion/{quote(skid, safe='')}/{quote(vessel, safe='')}/live"
        return await site.answer(request, "companion.html", f"companion/{skid}/{vessel}",
                                 partial(_parts, site.pages, found, vessel), stream, skid=found, vessel=vessel,
                                 steps=steps_of(found))

    @app.get("/companion/{skid}/{vessel}/live", include_in_schema=False)
    async def companion_live(skid: str, vessel: str, seen: Seen = None, last_event_id: LastEvent = None) -> Response:
        found = known(skid, vessel)
        return site.stream(f"companion/{skid}/{vessel}", partial(_parts, site.pages, found, vessel), seen,
                           last_event_id)


def _parts(pages: Pages, skid: SkidSettings, vessel: str, source: Source) -> Fragments:
    seen = watch(source, skid, vessel)
    parts = {f"step{i}": pages.render("_remarks.html", remarks=remarks(step, seen))
             for i, step in enumerate(steps_of(skid))}
    return parts | {"newest": pages.render("_newest.html", newest=seen.now.newest),
                    "warnings": pages.render("_warnings.html", warnings=warnings(seen)),
                    "found": pages.render("_found.html", last=seen.last)}
