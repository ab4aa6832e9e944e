"""The routes of log-in and log-out."""

from __future__ import annotations

from typing import Annotated

from fastapi import FastAPI, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from monitor.web.access import Access
from monitor.web.acting import fields
from monitor.web.site import Site

Then = Annotated[str, Query(max_length=500)]


def add_login(app: FastAPI, site: Site, access: Access) -> None:
    """Adds /login and /logout."""
    def form(then: str, wrong: str = "", status: int = 200) -> HTMLResponse:
        text = site.pages.page("login.html", {}, then=_here(then), wrong=wrong, needed=bool(access.users))
        return HTMLResponse(text, status)

    @app.get("/login", include_in_schema=False)
    async def login(then: Then = "/") -> HTMLResponse:
        return form(then)

    @app.post("/login", include_in_schema=False)
    async def enter(request: Request, then: Then = "/") -> Response:
        user = access.by_token((await fields(request)).get("token", ""))
        if user is None:
            return form(then, "That token is not known here.", 403)
        return RedirectResponse(_here(then), 303, headers={"set-cookie": access.cookie(user)})

    @app.post("/logout", include_in_schema=False)
    async def leave() -> Response:
        return RedirectResponse("/login", 303, headers={"set-cookie": access.no_cookie()})


def _here(then: str) -> str:
    """A path of this page, never another site."""
    return then if then.startswith("/") and not then.startswith(("//", "/\\")) else "/"
