"""The report of a shift, a day or a month: what it holds, and that the same input gives the same file."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import httpx
import pytest
from display_samples import MINUTE, START, event, read_html
from page_plant import Plant

from monitor.model import NS, Event, Transition
from monitor.web.period import edges

DONE = event(60, "changeout-done", Transition.NOTED, vessel="V1", detail="good", value=1.02, unit="1",
             evidence={"returned_at": START + 58 * MINUTE, "life_h": 190.25, "volume_m3": 5661.0})


@pytest.mark.parametrize(("period", "at", "zone", "first", "last"), [
    ("day", "2026-03-01T02:00", "UTC", "2026-03-01T00:00", "2026-03-02T00:00"),
    ("day", "2026-03-29T12:00", "Europe/Oslo", "2026-03-28T23:00", "2026-03-29T22:00"),     # 23 hours: clocks go on
    ("month", "2026-02-10T00:00", "UTC", "2026-02-01T00:00", "2026-03-01T00:00"),
    ("shift", "2026-03-01T02:00", "UTC", "2026-02-28T22:00", "2026-03-01T06:00"),
    ("shift", "2026-03-01T06:00", "UTC", "2026-03-01T06:00", "2026-03-01T14:00"),
    ("shift", "2026-03-01T22:30", "UTC", "2026-03-01T22:00", "2026-03-02T06:00")])
def test_period_follows_the_clocks_of_its_zone(period: str, at: str, zone: str, first: str, last: str) -> None:
    """Summer time in Norway began on 29 March 2026, by the IANA time zone database."""
    def ns(text: str) -> int:
        return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * NS

    assert edges(period, ns(at), ZoneInfo(zone)) == (ns(first), ns(last))


def test_report_tells_data_changeouts_alarms_and_elements(client: httpx.Client, plant: Plant, due: Event) -> None:
    plant.say(DONE)
    plant.say(due)
    html = read_html(client.get("/report?period=day").text)
    assert html.faults == []
    normalised = plant.reader().minutes("intake", 0, START + 120 * MINUTE)["normalised"] / 1e5
    levels = f"{normalised.max():.2f} bar {normalised[-1]:.2f} bar 1.00 bar"
    assert f"River intake intake 100.0 % 100.0 % {levels} 1 1 1" in html.text
    assert "190.2 h" in html.text and "consistent with a clean element" in html.text and "Changeout due 1" in html.text
    assert "ISA-18.2" in html.text and due.message in html.text


def test_file_of_its_own_loads_nothing_and_is_the_same_each_time(client: httpx.Client, plant: Plant,
                                                                 due: Event) -> None:
    plant.say(due)
    first, second = (client.get("/report/file.html?period=day&at=2026-03-01T00:00") for _ in range(2))
    assert first.text == second.text and 'filename="day-2026-03-01-0000.html"' in first.headers["content-disposition"]
    html = read_html(first.text)
    assert html.faults == [] and not html.named("script") and not html.named("link")
    assert not [a for name in ("src", "href") for a in html.attributes(name)]


def test_pdf_is_the_same_each_time_and_holds_its_pages(client: httpx.Client, plant: Plant, due: Event) -> None:
    plant.say(DONE)
    plant.say(due)
    first, second = (client.get("/report/file.pdf?period=day") for _ in range(2))
    assert first.headers["content-type"] == "application/pdf" and first.content == second.content
    assert first.content.startswith(b"%PDF-1.") and len(re.findall(rb"/Type /Page\b", first.content)) >= 1


def test_report_of_a_period_without_anything_says_so(client: httpx.Client) -> None:
    text = read_html(client.get("/report?period=month&at=2020-01-01T00:00").text).text
    assert "No alarm was raised." in text and "River intake intake 0.0 %" in text
    assert client.get("/report/file.pdf?period=month&at=2020-01-01T00:00").status_code == 200


@pytest.mark.parametrize(("query", "status"), [("period=year", 404), ("period=day&at=soon", 400),
                                               ("period=day&at=99999-01-01", 400)])
def test_report_that_cannot_be_made_is_refused_in_words(client: httpx.Client, query: str, status: int) -> None:
    assert client.get(f"/report?{query}").status_code == status
