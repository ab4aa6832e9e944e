"""The pages as they come over HTTP from a real store."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import httpx
import pytest
from display_samples import MINUTE, event, hatchery_skid, read_html
from page_plant import NEWEST, Plant, build, served

from monitor.alarms.catalogue import CATALOGUE
from monitor.model import Event, Fact, Transition
from monitor.settings import WebSettings
from monitor.store import Batch

EVIL = "<script>alert('x')</script>"


def page(client: httpx.Client, path: str) -> str:
    answer = client.get(path)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    return answer.text


@pytest.mark.parametrize("path", ["/", "/skid/intake", "/skid/intake?span=7d", "/skid/raceway"])
def test_pages_are_well_formed_and_name_a_language_and_a_title(client: httpx.Client, path: str) -> None:
    html = read_html(page(client, path))
    assert html.faults == []
    assert html.named("html")[0]["lang"] == "en" and len(html.named("title")) == 1 and len(html.named("h1")) == 1
    assert all(text.strip() for text in html.attributes("aria-label"))


@pytest.mark.parametrize("path", ["/", "/skid/intake", "/nowhere"])
def test_pages_load_only_from_themselves_and_carry_no_inline_code(client: httpx.Client, path: str) -> None:
    html = read_html(client.get(path).text)
    assert all(a.startswith(("/", "#", "?")) for name in ("src", "href") for a in html.attributes(name))
    assert not list(html.attributes("style")) and not html.named("style")
    assert not [name for _, found in html.tags for name in found if name.startswith("on")]
    for source in [*html.attributes("src"), *(link["href"] or "" for link in html.named("link"))]:
        assert client.get(source).status_code == 200


@pytest.mark.parametrize("path", ["/", "/static/style.css", "/api/v1/skids", "/healthz", "/nowhere"])
def test_every_answer_carries_the_security_headers(client: httpx.Client, path: str) -> None:
    headers = client.get(path).headers
    assert headers["content-security-policy"].startswith("default-src 'none'; style-src 'self'; script-src 'self'")
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["x-frame-options"] == "DENY"
    assert headers["referrer-policy"] == "same-origin"


def test_overview_shows_normalised_dp_against_its_limit_and_newest_reading(client: httpx.Client, plant: Plant) -> None:
    text = read_html(page(client, "/")).text
    normalised = plant.reader().minutes("intake", 0, NEWEST)["normalised"][-1] / 1e5
    assert f"{normalised:.2f} of 1.00 bar" in text and "reached" in text
    assert "2026-03-01 02:00:20 UTC" in text
    assert "Raceway make-up raceway" in text and "no reading yet" in text


def test_alarm_is_told_by_word_symbol_and_message(client: httpx.Client, plant: Plant, due: Event) -> None:
    assert "none Normalised dP" not in page(client, "/")
    plant.say(due)
    client.get("/healthz")
    overview, skid = (page(client, path) for path in ("/", "/skid/intake"))
    assert '<svg class="symbol medium"' in overview and "Changeout due" in read_html(overview).text
    text = read_html(skid).text
    assert "Normalised dP has reached 1.00 bar at 58 m³/h." in text
    assert re.search(r"medium priority, active( \([^)]*\))?, since 2026-03-01 01:58:00 UTC", text)


def test_what_is_to_be_done_is_said_once_on_a_page(client: httpx.Client, plant: Plant) -> None:
    """The message of a surge ends with it, as pushes and events need it to."""
    surge = event(10, "surge", message=f"PT-101 went up. {CATALOGUE['surge'].response}")
    plant.say(surge)
    for path in ("/alarms", "/alarms/act?skid=intake&kind=surge", f"/event/{surge.id}"):
        text = read_html(client.get(path).text).text
        for record in ("What was asked", "Trends around it"):        # where messages stand word for word
            text = text.partition(record)[0]
        assert text.count(CATALOGUE["surge"].response) == 1 and "PT-101 went up." in text, path


def test_alarm_that_returned_to_normal_no_longer_stands(client: httpx.Client, plant: Plant, due: Event) -> None:
    plant.say(due)
    plant.say(event(119, "changeout-due", Transition.CLEARED))
    client.get("/healthz")
    assert "No alarm stands." in page(client, "/skid/intake")


def test_skid_that_needs_a_person_comes_first(client: httpx.Client, plant: Plant, due: Event) -> None:
    plant.say(due)
    plant.say(event(119, "dp-limit", skid="raceway"))
    client.get("/healthz")
    text = page(client, "/")
    assert text.index("/skid/raceway") < text.index("/skid/intake")


def test_live_values_carry_tags_units_and_contacts_in_words(client: httpx.Client) -> None:
    text = read_html(page(client, "/skid/intake")).text
    for words in ("Inlet pressure 3.21 bar PT-1", "Outlet pressure 2.05 bar PT-2", "Flow 58.5 m³/h FT-1",
                  "Temperature 11.2 °C TT-1", "Vessel pressure, V1 3.20 bar PT-11", "Leak sensor, V1 dry LS-1"):
        assert words in text


def test_a_clock_that_is_apart_is_said_beside_its_value(client: httpx.Client, plant: Plant) -> None:
    known = {"word": "apart", "lag_s": -12.1, "error_s": 0.3, "transients": 5, "against": "PT-1"}
    plant.commit(Batch(facts=[Fact("intake", "clock/PT-2", known, NEWEST),
                              Fact("intake", "clock/FT-1", known | {"word": "in step", "lag_s": 0.0}, NEWEST)]))
    client.get("/healthz")
    text = read_html(page(client, "/skid/intake")).text
    assert "12 s ahead of PT-1" in text
    assert text.count("ahead of") == 1


def test_skid_that_falls_behind_is_called_silent(client: httpx.Client, plant: Plant) -> None:
    plant.read(NEWEST + 30 * MINUTE, 2.0, skid="raceway")
    client.get("/healthz")
    assert "silent for 30 min" in page(client, "/")
    assert "silent for 30 min" in page(client, "/skid/intake")


def test_page_calls_data_old_when_the_store_does_not_change(plant: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.web.live.OLD_S", -1.0)
    with served(plant) as address:
        html = read_html(httpx.get(address, trust_env=False).text)
        (notice,) = [found for _, found in html.tags if found.get("id") == "old"]
        assert "hidden" not in notice and "Old data: nothing new has been stored for" in html.text
        assert httpx.get(f"{address}/healthz", trust_env=False).json()["status"] == "old"


def test_fresh_data_hide_the_notice(client: httpx.Client) -> None:
    (notice,) = [found for _, found in read_html(page(client, "/")).tags if found.get("id") == "old"]
    assert "hidden" in notice


def test_text_from_configuration_and_store_is_escaped(tmp_path: Path) -> None:
    skid = hatchery_skid("intake", EVIL)
    skid = dataclasses.replace(skid, signals=(dataclasses.replace(skid.signals[0], id=EVIL), *skid.signals[1:]))
    plant = build(tmp_path, (skid,))
    plant.say(event(118, "surge", message=EVIL, vessel=EVIL, signal=EVIL))
    try:
        with served(plant) as address:
            for path in ("/", "/skid/intake", f"/skid/intake?span={EVIL}"):
                text = httpx.get(address + path, trust_env=False).text
                assert EVIL not in text and EVIL in read_html(text).text
            text = httpx.get(f"{address}/skid/<img src=x>", trust_env=False).text
            assert not read_html(text).named("img") and "<img src=x>" in read_html(text).text
    finally:
        plant.store.close()


def test_unknown_skid_page_and_span_answer_404_in_words(client: httpx.Client) -> None:
    for path, words in (("/skid/none", "No skid 'none' is configured."), ("/skid/intake?span=9y", "No span '9y'"),
                        ("/nowhere", "There is no such page.")):
        answer = client.get(path)
        assert answer.status_code == 404 and words in read_html(answer.text).text


def test_docs_that_load_from_elsewhere_are_off(client: httpx.Client) -> None:
    assert [client.get(path).status_code for path in ("/docs", "/redoc")] == [404, 404]


def test_a_foreign_host_name_is_refused_on_loopback(client: httpx.Client) -> None:
    assert client.get("/", headers={"host": "elsewhere.example"}).status_code == 421
    assert client.get("/", headers={"host": "localhost:8321"}).status_code == 200
    assert client.get("/", headers={"host": "[::1]:8321"}).status_code == 200


def test_bound_to_the_network_it_answers_to_other_names(plant: Plant) -> None:
    plant.settings = dataclasses.replace(plant.settings, web=WebSettings(host="0.0.0.0"))
    with served(plant) as address:
        assert httpx.get(address, headers={"host": "plant.example"}, trust_env=False).status_code == 200


def test_page_writes_nothing_and_refuses_to_be_written(client: httpx.Client) -> None:
    assert [client.request(verb, "/").status_code for verb in ("POST", "PUT", "DELETE")] == [405, 405, 405]


def test_what_a_path_is_asked_with_is_named_whole(client: httpx.Client) -> None:
    """RFC 9110, 15.5.6: a 405 lists the methods that the resource supports."""
    wanted = {"/api/v1/requests": "GET, POST", "/api/v1/skids": "GET", "/alarms/act": "GET, POST", "/": "GET",
              "/static/style.css": "GET, HEAD"}
    answers = {path: client.request("DELETE", path) for path in wanted}
    assert {path: a.headers["allow"] for path, a in answers.items()} == wanted


def test_page_defers_to_the_site_and_never_calls_a_vessel_safe(client: httpx.Client) -> None:
    for path in ("/", "/skid/intake"):
        text = read_html(page(client, path)).text
        assert "cannot prove that a vessel is safe to open" in text and text.count("safe to open") == 1


def test_forecast_and_plan_are_shown_with_their_interval_while_they_are_current(client: httpx.Client, plant: Plant
                                                                               ) -> None:
    foreseen = [(NEWEST - 10 * MINUTE, "intake", 20.0, 30.5, 44.0), (NEWEST, "intake", 21.0, 30.0, 41.0)]
    plant.commit(Batch(forecasts=foreseen,
                       plans=[("intake", NEWEST, [("due", "in 30 h"), ("elements", "7 days: 2.0 expected")])]))
    client.get("/healthz")
    assert "30 h (21 h to 41 h)" in read_html(page(client, "/")).text
    text = read_html(page(client, "/skid/intake")).text
    assert "Changeout due in 30 h 80 %: 21 h to 41 h" in text and "Elements 7 days: 2.0 expected" in text
    assert "Hours until a changeout is due, as foreseen" in text
    assert "7 days: 2.0 expected" in read_html(page(client, "/changeouts")).text
    plant.read(NEWEST + 40 * MINUTE, 3.2)
    client.get("/healthz")
    assert "30 h (21 h" not in page(client, "/")            # a forecast so old is none
