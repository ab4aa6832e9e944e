"""The routes of the alarms: what stands, what was, and how somebody acts on one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import FastAPI, HTTPException, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from monitor.alarms.acting import NEEDS_WHY, NOTE
from monitor.alarms.catalogue import of_monitor
from monitor.model import Event
from monitor.skid import SkidSettings
from monitor.web.acting import fields, leave, signer
from monitor.web.data import AlarmNow, Asked, Source
from monitor.web.live import Fragments
from monitor.web.pages import Pages
from monitor.web.site import Site
from monitor.web.views import LastEvent, Seen
from monitor.web.words import KINDS, handling

Name = Annotated[str | None, Query(max_length=500)]
HOURS = (1, 2, 4, 8, 12, 24, 72, 168)       # lengths of a shelf that are offered, up to the longest that is allowed
WORDS = {"ack": "Acknowledge", "reset": "Reset the latch", "shelve": "Shelve", "unshelve": "Unshelve",
         "out-of-service": "Take out of service", "in-service": "Return to service", "journal": "Keep the note only"}
REASONED = (*NEEDS_WHY, NOTE)       # not without a reason, or a text
PAGE = 100


@dataclass(frozen=True, slots=True)
class Chosen:
    """What of the past is shown."""

    skid: str | None = None
    kind: str | None = None
    before: str | None = None


def add_alarms(app: FastAPI, site: Site) -> None:
    """Adds /alarms, its stream, and the form to act on one."""
    @app.get("/alarms", include_in_schema=False)
    async def alarms(request: Request, skid: Name = None, kind: Name = None, before: Name = None) -> HTMLResponse:
        chosen = Chosen(site.skid(skid).id if skid else None, kind or None, before or None)
        stream = "/alarms/live" + (f"?{_query(chosen)}" if _query(chosen) else "")
        return await site.answer(request, "alarms.html", f"alarms/{chosen}", partial(_parts, site.pages, chosen),
                                 stream, chosen=chosen, skids=site.settings.skids, kinds=KINDS)

    @app.get("/alarms/live", include_in_schema=False)
    async def alarms_live(skid: Name = None, kind: Name = None, before: Name = None, seen: Seen = None,
                          last_event_id: LastEvent = None) -> Response:
        chosen = Chosen(site.skid(skid).id if skid else None, kind or None, before or None)
        return site.stream(f"alarms/{chosen}", partial(_parts, site.pages, chosen), seen, last_event_id)

    async def known(skid: str, kind: str, vessel: str | None, signal: str | None) -> AlarmNow:
        if not of_monitor(skid):
            site.skid(skid)
        standing = await site.hub.ask(lambda source: source.alarms(site.pages.skids))
        found = [a for a in standing if (a.skid, a.kind, a.vessel, a.signal) == (skid, kind, vessel, signal)]
        if not found:
            raise HTTPException(404, "This alarm is back to normal, or never was.")
        return found[0]

    async def form(request: Request, alarm: AlarmNow, given: dict[str, str], wrong: str = "") -> HTMLResponse:
        return await site.answer(
            request, "act.html", "newest", site.pages.only_newest, alarm=alarm, skid=site.pages.skids.get(alarm.skid),
            acts=[(a, WORDS[a]) for a in acts(alarm)], shelves=shelves(site.pages.skids.get(alarm.skid), alarm.kind),
            given=given, wrong=wrong, query=_address(alarm))

    @app.get("/alarms/act", include_in_schema=False)
    async def act_form(request: Request, skid: str, kind: str, vessel: Name = None,
                       signal: Name = None) -> HTMLResponse:
        return await form(request, await known(skid, kind, vessel, signal), {})

    @app.post("/alarms/act", include_in_schema=False)
    async def act(request: Request, skid: str, kind: str, vessel: Name = None, signal: Name = None) -> Response:
        given = await fields(request)
        alarm = await known(skid, kind, vessel, signal)
        action = given.get("action", "")
        if action not in acts(alarm):
            return await form(request, alarm, given, "That cannot be done in the state it is in.")
        if action in REASONED and not given.get("why"):
            return await form(request, alarm, given, f"“{WORDS[action]}” needs a reason, so that others know.")
        lengths = shelves(site.pages.skids.get(alarm.skid), alarm.kind)
        await leave(site, skid, action, asked(alarm, action, signer(request, given), given, lengths))
        return RedirectResponse("/alarms", 303)


def acts(alarm: AlarmNow) -> list[str]:
    """What is possible in the state an alarm is in, the usual first. Of an alert a note can be kept."""
    if alarm.alert:
        return ["journal"]
    found = ["ack"] if alarm.owed else []
    found += ["reset"] if alarm.state == "latched-acknowledged" else []
    if alarm.state == "shelved":
        found += ["unshelve", "out-of-service"]
    elif alarm.state == "out-of-service":
        found += ["in-service"]
    else:
        found += ["shelve", "out-of-service"]
    return [*found, "journal"]


def shelves(skid: SkidSettings | None, kind: str) -> list[int]:
    """Hours for which an alarm can be shelved: the longest is what its configuration allows."""
    found = handling(skid, kind)
    most = found.shelve_limit_s / 3600 if found is not None else HOURS[0]
    return [h for h in HOURS if h <= most] or [1]


def asked(alarm: AlarmNow, action: str, who: str, given: dict[str, str], lengths: Sequence[int]) -> dict[str, Any]:
    """The body of a request to act on an alarm. lengths: hours of a shelf that are allowed."""
    body: dict[str, Any] = {"who": who, "target": alarm.target, "why": given.get("why", "")[:500]}
    if action == "shelve":
        hours = given.get("hours", "")
        body["for_s"] = 3600 * (int(hours) if hours.isdigit() and int(hours) in lengths else lengths[0])
    return body


def _parts(pages: Pages, chosen: Chosen, source: Source) -> Fragments:
    events = source.events(chosen.skid, kinds=None if chosen.kind is None else [chosen.kind], before=chosen.before,
                           limit=PAGE)
    return {
        "newest": pages.render("_newest.html", newest=source.newest()),
        "current": pages.render("_current.html", groups=groups(source.alarms(pages.skids)), skids=pages.skids),
        "asked": pages.render("_asked.html", asked=[told(r) for r in source.requests(limit=20)]),
        "past": pages.render("_past.html", events=events, older=_older(chosen, events)),
    }


def groups(alarms: Sequence[AlarmNow]) -> list[tuple[str, list[AlarmNow]]]:
    """Those that somebody has to acknowledge, those that stand, alerts, those that are hidden; empty ones left out."""
    found = [("To be acknowledged", [a for a in alarms if a.owed]),
             ("Acknowledged", [a for a in alarms if not a.owed and not a.hidden and not a.alert]),
             ("Alerts, which need no acknowledgement", [a for a in alarms if a.alert and not a.hidden]),
             ("Shelved, suppressed, out of service", [a for a in alarms if a.hidden])]
    return [(words, some) for words, some in found if some]


def told(request: Asked) -> dict[str, Any]:
    """A request in words."""
    body = request.body if isinstance(request.body, dict) else {}
    what = str(body.get("target") or body.get("event") or request.skid or "")
    why = str(body.get("why") or body.get("note") or "")
    return {"time": request.time, "who": str(body.get("who", "")), "why": why,
            "what": f"{WORDS.get(request.action, request.action)}: {what}", "answer": request.answer}


def _address(alarm: AlarmNow) -> str:
    named = {"skid": alarm.skid, "kind": alarm.kind, "vessel": alarm.vessel, "signal": alarm.signal}
    return urlencode({k: v for k, v in named.items() if v is not None})


def _query(chosen: Chosen) -> str:
    named = {"skid": chosen.skid, "kind": chosen.kind, "before": chosen.before}
    return urlencode({k: v for k, v in named.items() if v})


def _older(chosen: Chosen, events: Sequence[Event]) -> str:
    if len(events) < PAGE:
        return ""
    return _query(Chosen(chosen.skid, chosen.kind, events[-1].id))
