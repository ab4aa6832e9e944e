"""The JSON interface, version 1: alarms, changeouts, trends, and what is asked of the daemon."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, HTTPException, Query, Request
from fastapi import Path as InPath
from pydantic import AwareDatetime, BaseModel, Field

from monitor.alarms.catalogue import of_monitor
from monitor.alarms.plant_words import letters, status
from monitor.web.acting import REFUSALS, each_once, leave
from monitor.web.changeouts import Record, records
from monitor.web.data import COLUMNS, AlarmNow, Asked, bucket_width, bucketed
from monitor.web.site import Site
from monitor.web.words import iso

Millis = Annotated[int, Query(ge=0, le=9_000_000_000_000, description="milliseconds since 1970")]
MOST_POINTS = 2_000


class StandingModel(BaseModel):
    """An alarm that is not normal. state: a word of ISA-18.2; target: how requests name it."""

    target: str
    skid: str
    kind: str
    vessel: str | None
    signal: str | None
    priority: str
    state: str
    since: str | None
    until: str | None
    who: str
    why: str
    event: str | None
    message: str
    isa_5_1: str | None
    ne_107: str | None


class ChangeoutModel(BaseModel):
    event: str
    skid: str
    vessel: str | None
    isolated_at: str | None
    returned_at: str
    life_h: float | None
    volume_m3: float | None
    dp_before_bar: float | None
    dp_after_bar: float | None
    resistance_ratio: float | None
    verdict: str
    fitted: str
    fitted_by: str
    inspections: list[dict[str, str]]


class TrendModel(BaseModel):
    """Means over equal spans; a span without data is left out. Pressures Pa, flow m^3/s, temperature K."""

    bucket_s: float
    time: list[str]
    inlet_pa: list[float | None]
    outlet_pa: list[float | None]
    dp_pa: list[float | None]
    normalised_dp_pa: list[float | None]
    flow_m3_s: list[float | None]
    temperature_k: list[float | None]
    judged: list[float | None]


class ActModel(BaseModel):
    """What is asked. target: an alarm as SKID/KIND or SKID/KIND/WHERE, for `changed` SKID/VESSEL; for_s: how long it is
    shelved; at, part: when an element was changed, and what was fitted. who: needed where nobody is logged in."""

    action: Literal["ack", "reset", "shelve", "unshelve", "out-of-service", "in-service", "journal", "changed"]
    target: str = Field(max_length=300)
    who: str = Field("", max_length=60)
    why: str = Field("", max_length=500)
    for_s: float | None = Field(None, gt=0, le=30 * 86_400)
    at: AwareDatetime | None = None
    part: str = Field("", max_length=200)


class AskedModel(BaseModel):
    """answered: null while the daemon has not dealt with it."""

    id: int
    time: str
    skid: str | None
    action: str
    who: str
    answered: str | None
    answer: str | None


def records_router(site: Site) -> APIRouter:
    """The routes under /api/v1 for what has happened and for what is asked."""
    found = APIRouter(prefix="/api/v1", responses=REFUSALS, dependencies=[Depends(each_once)])

    def known(skid: str | None) -> str | None:
        if skid is not None and skid not in site.pages.skids:
            raise HTTPException(404, f"no skid {skid!r} is configured")
        return skid

    @found.get("/alarms", tags=["alarms"], summary="Every alarm that is not normal, the most urgent first")
    async def list_alarms() -> list[StandingModel]:
        return [_standing(a) for a in await site.hub.ask(lambda source: source.alarms(site.pages.skids))]

    @found.get("/changeouts", tags=["changeouts"], summary="The record of changeouts, newest first")
    async def list_changeouts(skid: str | None = None,
                              limit: Annotated[int, Query(ge=1, le=2_000)] = 100) -> list[ChangeoutModel]:
        chosen = known(skid)
        return [_changeout(r) for r in await site.hub.ask(lambda source: records(source, chosen, limit))]

    @found.get("/skids/{skid}/trend", tags=["skids"], summary="A skid's minutes, or means of them")
    async def trend(skid: str, start_ms: Millis, end_ms: Millis,
                    points: Annotated[int, Query(ge=1, le=MOST_POINTS)] = 500) -> TrendModel:
        known(skid)
        start, end = start_ms * 1_000_000, end_ms * 1_000_000
        if end <= start:
            raise HTTPException(400, "end_ms must be after start_ms")
        made = await site.hub.ask(lambda source: bucketed(source.minutes(skid, start, end), start, end, points))
        return TrendModel(bucket_s=bucket_width(start, end, points) / 1e9, time=[iso(int(t)) for t in made["time"]],
                          judged=_numbers(made["judged"]),
                          **{_TREND[name]: _numbers(made[name]) for name in COLUMNS})

    @found.post("/requests", tags=["acting"], status_code=202,
                summary="Ask the daemon to act on an alarm or to keep a note")
    async def ask(request: Request, act: ActModel) -> dict[str, int]:
        skid = act.target.partition("/")[0]
        if not of_monitor(skid):
            known(skid)
        who = getattr(request.state, "who", None) or act.who
        if not who:
            raise HTTPException(400, "who is missing: what is done is kept with who did it")
        body: dict[str, Any] = {"who": who, "target": act.target, "why": act.why}
        more = {"for_s": act.for_s, "part": act.part or None,
                "at": None if act.at is None else round(act.at.timestamp() * 1e6) * 1_000}
        body |= {name: value for name, value in more.items() if value is not None} | {"via": "HTTP"}
        return {"id": await leave(site, skid, act.action, body)}

    @found.get("/requests", tags=["acting"], summary="What was asked, newest first")
    async def list_requests(limit: Annotated[int, Query(ge=1, le=1_000)] = 100) -> list[AskedModel]:
        return [_asked(r) for r in await site.hub.ask(lambda source: source.requests(limit=limit))]

    @found.get("/requests/{number}", tags=["acting"], summary="One request, and what came of it")
    async def one_request(number: Annotated[int, InPath(ge=0, lt=1 << 63)]) -> AskedModel:
        every = await site.hub.ask(lambda source: source.requests())
        request = next((r for r in every if r.id == number), None)
        if request is None:
            raise HTTPException(404, f"no request {number} is kept")
        return _asked(request)

    return found


_TREND = {"inlet": "inlet_pa", "outlet": "outlet_pa", "pressure_drop": "dp_pa", "normalised": "normalised_dp_pa",
          "flow": "flow_m3_s", "temperature": "temperature_k"}


def _numbers(values: Any) -> list[float | None]:
    return [x if math.isfinite(x) else None for x in values.tolist()]


def _time(time: int | None) -> str | None:
    return None if time is None else iso(time)


def _standing(a: AlarmNow) -> StandingModel:
    return StandingModel(target=a.target, skid=a.skid, kind=a.kind, vessel=a.vessel, signal=a.signal, priority=a.level,
                         state=a.state, since=_time(a.since), until=_time(a.until), who=a.who, why=a.why,
                         event=a.event, message=a.message, isa_5_1=letters(a.kind, a.detail),
                         ne_107=status(a.kind, a.detail))


def _changeout(r: Record) -> ChangeoutModel:
    looked = [{"time": iso(i.time), "who": i.who, **i.found} for i in r.inspections]
    return ChangeoutModel(event=r.event, skid=r.skid, vessel=r.vessel, isolated_at=_time(r.isolated),
                          returned_at=iso(r.returned), life_h=r.life_h, volume_m3=r.volume_m3, dp_before_bar=r.before,
                          dp_after_bar=r.after, resistance_ratio=r.ratio, verdict=r.verdict, fitted=r.fitted,
                          fitted_by=r.fitted_by, inspections=looked)


def _asked(r: Asked) -> AskedModel:
    who = str(r.body.get("who", "")) if isinstance(r.body, dict) else ""
    return AskedModel(id=r.id, time=iso(r.time), skid=r.skid, action=r.action, who=who, answered=_time(r.answered),
                      answer=r.answer)
