"""The routes of the cases: what was proposed of a recording, to be confirmed, corrected or rejected."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import FastAPI, HTTPException, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.concurrency import run_in_threadpool

from monitor.errors import MonitorError
from monitor.web.acting import fields, signer
from monitor.web.cases import STATES, Case, Cases
from monitor.web.site import Site
from monitor.web.words import iso

TICKED = "entry-"
MOST = 800                              # entries that are shown, and can be ticked
BULK = ("confirm", "reject")
ACTS = ("correct", "reject", "drop")
EntryId = Annotated[str | None, Query(max_length=40)]
FIELDS = ("time", "until", "kind", "vessel", "signal", "detail", "within_s", "why")


def add_cases(app: FastAPI, site: Site, cases: Cases) -> None:
    """Adds /cases, a page for each of them, and the form of a label."""
    async def show(request: Request, template: str, **values: Any) -> HTMLResponse:
        return await site.answer(request, template, "newest", site.pages.only_newest, states=STATES, **values)

    async def opened(name: str) -> Case:
        if name not in await run_in_threadpool(cases.names):
            raise HTTPException(404, f"No case {name!r} is in the folder of cases.")
        try:
            return await run_in_threadpool(cases.case, name)
        except MonitorError as error:
            raise HTTPException(409, f"The case cannot be used: {error}") from None

    if not site.settings.skids:
        @app.get("/", include_in_schema=False)
        async def home() -> RedirectResponse:
            return _to("/cases")

    @app.get("/cases", include_in_schema=False)
    async def all_cases(request: Request) -> HTMLResponse:
        return await show(request, "cases.html", found=await run_in_threadpool(_each, cases))

    async def labels(request: Request, name: str, wrong: str = "", done: str = "") -> HTMLResponse:
        case = await opened(name)
        return await show(request, "case.html", case=case, entries=case.entries[:MOST], wrong=wrong, done=done)

    @app.get("/cases/{name}", include_in_schema=False)
    async def one(request: Request, name: str) -> HTMLResponse:
        return await labels(request, name)

    @app.post("/cases/{name}", include_in_schema=False)
    async def many(request: Request, name: str) -> Response:
        given = await fields(request, MOST + 10)
        await opened(name)
        ticked = [key.removeprefix(TICKED) for key in given if key.startswith(TICKED)]
        if not ticked or given.get("action") not in BULK:
            return await labels(request, name, "Nothing was ticked.")
        return await changed(request, name, given["action"], ticked, given) or _to(f"/cases/{name}")

    async def changed(request: Request, name: str, act: str, entries: list[str],
                      given: dict[str, str]) -> HTMLResponse | None:
        """None where it was done, else a page that says why not."""
        who = signer(request, given)
        told = {key: given[key] for key in FIELDS if given.get(key)}
        try:
            await run_in_threadpool(cases.change, name, act, entries, told, who)
        except MonitorError as error:
            if act in BULK:
                return await labels(request, name, str(error))
            return await form(request, name, entries[0] if entries else None, given, str(error))
        return None

    async def form(request: Request, name: str, entry: str | None, given: dict[str, str],
                   wrong: str = "") -> HTMLResponse:
        case = await opened(name)
        found = None if entry is None else case.entry(entry)
        if entry is not None and found is None:
            raise HTTPException(404, "This label has been changed since, or is gone: look at the list again.")
        plot = "" if found is None else await run_in_threadpool(cases.plot, name, found.time)
        return await show(request, "label.html", case=case, entry=found, plot=plot, given=given, wrong=wrong, iso=iso,
                          following=_following(case, entry))

    @app.get("/cases/{name}/label", include_in_schema=False)
    async def label_form(request: Request, name: str, entry: EntryId = None) -> HTMLResponse:
        return await form(request, name, entry, {})

    @app.post("/cases/{name}/label", include_in_schema=False)
    async def label(request: Request, name: str, entry: EntryId = None) -> Response:
        given = await fields(request)
        case = await opened(name)
        act = "add" if entry is None else given.get("action", "")
        if entry is not None and act not in ACTS:
            return await form(request, name, entry, given, "Choose what is to be done.")
        following = _following(case, entry)
        wrong = await changed(request, name, act, [] if entry is None else [entry], given)
        return wrong or _to(f"/cases/{name}" + (f"/label?entry={following}" if following else ""))


def _to(address: str) -> RedirectResponse:
    return RedirectResponse(address, 303)


def _each(cases: Cases) -> list[tuple[str, Case | str]]:
    """Each case, or why it cannot be used."""
    found: list[tuple[str, Case | str]] = []
    for name in cases.names():
        try:
            found.append((name, cases.case(name)))
        except MonitorError as error:
            found.append((name, str(error)))
    return found


def _following(case: Case, entry: str | None) -> str | None:
    """The proposal to look at after this one."""
    names = [one.id for one in case.proposed]
    if entry not in names:
        return None
    others = names[names.index(entry) + 1 :] + names[: names.index(entry)]
    return others[0] if others else None
