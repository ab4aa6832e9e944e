"""The report of a shift, a day or a month: what it holds, and that the same input gives the same file."""

from __future__ import annotations

import dataclasses
import re
import zlib
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import httpx
import pytest
from display_samples import MINUTE, START, event, read_html
from page_plant import Plant, served

from monitor.model import NS, Event, Transition
from monitor.settings import WebSettings
from monitor.web.period import edges
from monitor.web.words import printed

DONE = event(60, "changeout-done", Transition.NOTED, vessel="V1", detail="good", value=1.02, unit="1",
             evidence={"returned_at": START + 58 * MINUTE, "life_h": 190.25, "volume_m3": 5661.0})


@pytest.mark.parametrize(("period", "at", "zone", "first", "last"), [
    ("day", "2026-03-01T02:00", "UTC", "2026-03-01T00:00", "2026-03-02T00:00"),
    ("day", "2026-03-29T12:00", "Europe/Oslo", "2026-03-28T23:00", "2026-03-29T22:00"),     # 23 hours: clocks go on
    ("day", "2026-10-25T12:00", "Europe/Oslo", "2026-10-24T22:00", "2026-10-25T23:00"),     # 25 hours: they go back
    ("shift", "2026-10-25T03:00", "Europe/Oslo", "2026-10-24T20:00", "2026-10-25T05:00"),   # 9 hours
    ("shift", "2026-03-29T03:00", "Europe/Oslo", "2026-03-28T21:00", "2026-03-29T04:00"),   # 7 hours
    ("day", "2026-03-29T12:00", "Asia/Beirut", "2026-03-28T22:00", "2026-03-29T21:00"),     # has no midnight
    ("month", "2026-03-29T12:00", "Europe/Oslo", "2026-02-28T23:00", "2026-03-31T22:00"),
    ("month", "2026-02-10T00:00", "UTC", "2026-02-01T00:00", "2026-03-01T00:00"),
    ("shift", "2026-03-01T02:00", "UTC", "2026-02-28T22:00", "2026-03-01T06:00"),
    ("shift", "2026-03-01T06:00", "UTC", "2026-03-01T06:00", "2026-03-01T14:00"),
    ("shift", "2026-03-01T22:30", "UTC", "2026-03-01T22:00", "2026-03-02T06:00")])
def test_period_follows_the_clocks_of_its_zone(period: str, at: str, zone: str, first: str, last: str) -> None:
    """Summer time in Norway began on 29 March 2026 and ended on 25 October; in Lebanon it began at midnight of 29
    March: by the IANA time zone database (`zdump -v`)."""
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
    assert "ISA-18.2" in html.text and printed(due.message) in html.text


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


def test_report_goes_by_the_clocks_that_are_asked_for_or_the_sites(plant: Plant) -> None:
    """Oslo is an hour ahead of UTC until 29 March 2026 at 01:00 UTC, and two from then on (IANA database)."""
    plant.say(DONE)
    plant.settings = dataclasses.replace(plant.settings, web=WebSettings(timezone="Europe/Oslo"))
    with served(plant) as address, httpx.Client(base_url=address, trust_env=False) as client:
        page = client.get("/report?period=day&at=2026-03-29T12:00")
        text = read_html(page.text).text
        assert "2026-03-29 00:00:00 CET to 2026-03-30 00:00:00 CEST" in text
        assert 'datetime="2026-03-29T00:00:00+01:00"' in page.text
        assert "at=2026-03-28T23:59&zone=Europe/Oslo" in page.text.replace("&amp;", "&")
        local = read_html(client.get("/report?at=2026-03-01T01:30").text).text
        assert "2026-03-01 01:58:00 CET" in local and "Report of the day from 2026-03-01" not in local
        utc = client.get("/report?period=day&at=2026-03-29T12:00&zone=UTC").text
        assert "2026-03-29 00:00:00 UTC to 2026-03-30 00:00:00 UTC" in read_html(utc).text
        alone = client.get("/report/file.html?period=day&at=2026-03-01T03:00")
        assert "Report of the day from 2026-03-01 00:00:00 CET" in alone.text
        assert 'filename="day-2026-03-01-0000.html"' in alone.headers["content-disposition"]
        given = client.get("/report?at=2026-03-01T23:30:00%2B00:00")      # an offset of its own goes before the zone
        assert "2026-03-02 00:00:00 CET to" in read_html(given.text).text


def test_pdf_tells_times_by_the_clocks_of_its_zone(client: httpx.Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.web.period_pdf.FONTS", ())         # a PDF's own fonts leave text as it is
    content = client.get("/report/file.pdf?period=day&at=2026-03-29T12:00&zone=Europe/Oslo").content
    streams = re.findall(rb"FlateDecode.*?stream\r?\n(.*?)\r?\nendstream", content, re.DOTALL)
    text = b" ".join(zlib.decompress(s) for s in streams)
    assert b"2026-03-29 00:00:00 CET to 2026-03-30 00:00:00 CEST" in text


def test_report_of_a_period_without_anything_says_so(client: httpx.Client) -> None:
    text = read_html(client.get("/report?period=month&at=2020-01-01T00:00").text).text
    assert "No alarm was raised." in text and "River intake intake 0.0 %" in text
    assert client.get("/report/file.pdf?period=month&at=2020-01-01T00:00").status_code == 200


@pytest.mark.parametrize(("query", "status"), [("period=year", 404), ("period=day&at=soon", 400),
                                               ("period=day&at=99999-01-01", 400), ("zone=Middle/Earth", 400),
                                               ("zone=../../etc/passwd", 400)])
def test_report_that_cannot_be_made_is_refused_in_words(client: httpx.Client, query: str, status: int) -> None:
    assert client.get(f"/report?{query}").status_code == status
