"""The feed of forecast changeouts. RFC 5545: lines of at most 75 octets that end in CRLF, times in UTC."""

from __future__ import annotations

import base64
import dataclasses
import math
from datetime import UTC, datetime, timedelta

import httpx
import pytest
from icalendar import Calendar
from page_plant import NEWEST, Plant, served

from monitor.model import NS
from monitor.settings import Secret, WebSettings, WebUser
from monitor.store import Batch

TOLD = datetime.fromtimestamp(NEWEST // NS, UTC)


def foresee(plant: Plant, p10: float, p50: float, p90: float, skid: str = "intake") -> None:
    plant.commit(Batch(forecasts=[(NEWEST, skid, p10, p50, p90)]))


def entries(client: httpx.Client) -> list[object]:
    answer = client.get("/calendar.ics")
    assert answer.status_code == 200 and answer.headers["content-type"] == "text/calendar; charset=utf-8"
    assert all(len(line) <= 75 for line in answer.content.split(b"\r\n")) and b"\n" not in answer.content.replace(
        b"\r\n", b"")
    return list(Calendar.from_ical(answer.content).walk("VEVENT"))


def test_a_forecast_is_an_entry_at_its_median(client: httpx.Client, plant: Plant) -> None:
    foresee(plant, 20.0, 30.5, 52.0)
    (entry,) = entries(client)
    wanted = (TOLD + timedelta(hours=30.5)).replace(second=0, microsecond=0)
    assert entry["dtstart"].dt == wanted and entry["dtend"].dt == wanted + timedelta(hours=1)
    assert entry["uid"] == "changeout-due-intake@bagwright" and entry["url"].endswith("/skid/intake")
    early = TOLD + timedelta(hours=20)
    assert f"between {early:%Y-%m-%d %H:%M} UTC" in entry["description"] and "prove zero" in entry["description"]


def test_what_is_not_known_or_far_off_is_no_entry(client: httpx.Client, plant: Plant) -> None:
    assert entries(client) == []
    foresee(plant, 2_000.0, 3_000.0, math.inf)
    assert entries(client) == []


def test_an_end_beyond_all_calendars_is_said_in_words(client: httpx.Client, plant: Plant) -> None:
    foresee(plant, 20.0, 100.0, 1e300)
    (entry,) = entries(client)
    assert "later than can be said" in entry["description"]


@pytest.mark.parametrize(("path", "token", "status"), [
    ("/calendar.ics", "look-token-1", 200), ("/calendar.ics", "wrong", 401), ("/api/v1/skids", "look-token-1", 401)])
def test_a_calendar_may_send_its_token_as_a_password_for_the_feed_only(
    plant: Plant, path: str, token: str, status: int
) -> None:
    users = (WebUser("viewer", "look", Secret("look-token-1")),)
    plant.settings = dataclasses.replace(plant.settings, web=WebSettings(users=users))
    basic = base64.b64encode(f"anybody:{token}".encode()).decode()
    with served(plant) as address, httpx.Client(base_url=address, timeout=10, trust_env=False) as stranger:
        assert stranger.get(path, headers={"authorization": f"Basic {basic}"}).status_code == status
        assert stranger.get("/calendar.ics").headers["www-authenticate"].startswith("Basic")
        assert stranger.get("/calendar.ics", headers={"authorization": "Basic %%%"}).status_code == 401
