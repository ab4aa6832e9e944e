"""Pushed updates: what changed is sent, what did not is not, and a browser that comes back gets what it missed."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator, Sequence
from typing import Any

import httpx
import pytest
from page_plant import NEWEST, Plant

from monitor.errors import StoreError
from monitor.model import NS, Event
from monitor.skid import SkidSettings
from monitor.web.data import SkidNow, Source
from monitor.web.live import Hub, Pace

WHOLE = {"newest", "tally", "s0", "s1", "order:skids"}      # every part of an overview of two skids


class Told:
    """The server-sent events of one connection."""

    def __init__(self, answer: httpx.Response) -> None:
        self.lines = answer.iter_lines()

    def __iter__(self) -> Iterator[tuple[str, str, Any]]:
        fields: dict[str, str] = {}
        for line in self.lines:
            if line:
                name, _, value = line.partition(": ")
                fields[name] = value
            elif "event" in fields:
                yield fields["event"], fields.get("id", ""), json.loads(fields["data"])
                fields = {}

    def until(self, name: str) -> list[tuple[str, str, Any]]:
        """Everything up to and with the next event of this name."""
        found = []
        for told in self:
            found.append(told)
            if told[0] == name:
                return found
        raise AssertionError("the stream ended")


def parts(told: list[tuple[str, str, Any]]) -> set[str]:
    return {part for name, _, data in told if name == "parts" for part in data}


def stream(site: str, path: str, **headers: str) -> Any:
    return httpx.stream("GET", site + path, headers=headers, timeout=10, trust_env=False)


def test_everything_comes_first_and_then_only_what_changed(site: str, plant: Plant) -> None:
    with stream(site, "/skid/intake/live") as answer:
        assert answer.headers["content-type"].startswith("text/event-stream")
        assert "content-security-policy" in answer.headers
        told = Told(answer)
        assert parts(told.until("beat")) == {"newest", "alarms", "drawing", "vessels", "values", "plan", "plots",
                                            "events", "edges"}
        plant.read(NEWEST + NS, 3.33)
        changed = told.until("beat")
        assert parts(changed) == {"newest", "values", "drawing"}
        assert "3.33 bar" in changed[0][2]["values"]


def test_what_open_pages_take_of_a_core_stays_within_a_share() -> None:
    now = [100.0]
    pace = Pace(0.2, lambda: now[0])
    assert pace.paid()
    pace.spent = 1.0                    # a second of work: five seconds of rest
    assert not pace.paid()
    now[0] += 4.9
    assert not pace.paid()
    now[0] += 0.2
    assert pace.paid()
    now[0] += 1_000                     # what was not used is not saved up
    assert pace.paid()
    pace.spent += 0.5
    assert not pace.paid()


def test_many_that_look_at_the_same_get_it_made_once(site: str, plant: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[str] = []
    news = Hub._news

    def counted(hub: Hub, key: str, had: str | None, *rest: Any) -> str:
        before = len(hub._told)
        found = news(hub, key, had, *rest)
        made.extend([key] * (len(hub._told) > before))
        return found

    monkeypatch.setattr(Hub, "_news", counted)
    with contextlib.ExitStack() as stack:
        every = [Told(stack.enter_context(stream(site, "/live"))) for _ in range(5)]
        for told in every:
            told.until("beat")
        made.clear()
        plant.read(NEWEST + NS, 3.33)
        assert all("newest" in parts(told.until("beat")) for told in every)
    assert made == ["/"]


def test_new_event_reaches_alarms_events_and_plots(site: str, plant: Plant, due: Event) -> None:
    with stream(site, "/skid/intake/live") as answer:
        told = Told(answer)
        told.until("beat")
        plant.say(due)
        assert parts(told.until("beat")) == {"alarms", "events", "plots"}


def test_browser_that_has_the_page_gets_only_a_beat(site: str) -> None:
    with stream(site, "/live") as answer:
        (*_, (_, version, _), _) = Told(answer).until("beat")
    with stream(site, f"/live?seen={version}") as answer:
        assert [name for name, _, _ in Told(answer).until("beat")] == ["beat"]


def test_browser_that_comes_back_gets_what_it_missed(site: str, plant: Plant) -> None:
    with stream(site, "/live") as answer:
        version = Told(answer).until("beat")[0][1]
    plant.read(NEWEST + NS, 3.44)
    httpx.get(f"{site}/healthz", trust_env=False)
    with stream(site, f"/live?seen={version}", **{"last-event-id": version}) as answer:
        assert parts(Told(answer).until("beat")) == WHOLE


def test_beat_tells_the_age_of_the_data(site: str) -> None:
    with stream(site, "/live") as answer:
        (*_, (_, _, beat)) = Told(answer).until("beat")
    assert beat["old"] is False and 0 <= beat["age_s"] < 60


def test_store_that_cannot_be_read_is_told_in_words(site: str, plant: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise StoreError("plant.db: the file is damaged <b>")

    monkeypatch.setattr("monitor.web.live.BEAT_S", 0.3)
    with stream(site, "/live") as answer:
        told = Told(answer)
        told.until("beat")
        monkeypatch.setattr(Source, "now", broken)
        plant.read(NEWEST + NS, 3.44)
        (*_, (_, _, trouble)) = told.until("trouble")
        assert "damaged" in trouble["message"]
        for path, kind in (("/", "text/html"), ("/api/v1/skids", "application/json")):
            page = httpx.get(site + path, trust_env=False)
            assert page.status_code == 503 and page.headers["content-type"].startswith(kind)
            assert "damaged" in page.text and ("<b>" not in page.text or kind == "application/json")
        monkeypatch.undo()
        assert parts(told.until("beat")) == {"newest"}


def test_many_open_pages_cost_one_look_at_the_store(site: str, plant: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []
    plain = Source.now

    def counted(self: Source, skids: Sequence[SkidSettings]) -> list[SkidNow]:
        asked.append(len(skids))
        return plain(self, skids)

    with contextlib.ExitStack() as stack:
        open_pages = [Told(stack.enter_context(stream(site, "/live"))) for _ in range(8)]
        for told in open_pages:
            told.until("beat")
        monkeypatch.setattr(Source, "now", counted)
        plant.read(NEWEST + NS, 3.55)
        assert all(parts(told.until("beat")) == {"newest"} for told in open_pages)
    assert asked == [2]


def test_only_the_line_of_a_skid_that_changed_is_sent(site: str, plant: Plant, due: Event) -> None:
    with stream(site, "/live") as answer:
        told = Told(answer)
        assert parts(told.until("beat")) == WHOLE
        plant.say(due)
        changed = told.until("parts")       # where all is slow, after a beat
        assert parts(changed) == {"tally", "s0", "order:skids"}
        assert changed[-1][2]["order:skids"] == "s0 s1"


def test_stream_of_an_unknown_skid_is_refused(site: str) -> None:
    assert httpx.get(f"{site}/skid/none/live", trust_env=False).status_code == 404
