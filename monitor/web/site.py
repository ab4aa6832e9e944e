"""What every group of routes works with: the store's hub, the templates, the skids, and how a request is left."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from fastapi import HTTPException, Request
from fastapi.responses import HTMLResponse, Response
from sse_starlette import EventSourceResponse

from monitor.settings import Settings
from monitor.skid import SkidSettings
from monitor.web.live import Hub, Maker
from monitor.web.pages import Pages

Submit = Callable[[str | None, str, Any], int]      # skid, action, body -> id of the request


@dataclass(frozen=True, slots=True)
class Site:
    """submit: None where this page may only look."""

    hub: Hub
    pages: Pages
    settings: Settings
    submit: Submit | None

    def skid(self, name: str) -> SkidSettings:
        """Raises 404 for one that is not configured."""
        if name not in self.pages.skids:
            raise HTTPException(404, f"No skid {name!r} is configured.")
        return self.pages.skids[name]

    async def answer(self, request: Request, template: str, key: str, make: Maker, stream: str | None = None,
                     **values: Any) -> HTMLResponse:
        """A page of parts. stream: where it goes on to hear of changes; None: it stays as it is."""
        version = self.hub.version
        parts = await self.hub.fragments(key, make)
        address = ""
        if stream is not None:
            address = f"{stream}{'&' if '?' in stream else '?'}seen={version}"
        who, may_act = getattr(request.state, "who", None), getattr(request.state, "may_act", True)
        return HTMLResponse(self.pages.page(template, parts, stream=address, age=self.hub.age, old=self.hub.old,
                                            path=request.url.path, who=who, looks=not may_act, **values))

    def stream(self, key: str, make: Maker, seen: str | None, last_event_id: str | None) -> Response:
        return EventSourceResponse(self.hub.stream(key, make, last_event_id or seen))
