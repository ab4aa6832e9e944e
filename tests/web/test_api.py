"""The JSON interface: SI values, RFC 3339 times, null where unknown."""

from __future__ import annotations

import dataclasses

import httpx
import pytest
from display_samples import MINUTE, START, event
from page_plant import NEWEST, Plant, served
from prometheus_client.parser import text_string_to_metric_families

from monitor.model import Event
from monitor.store import Batch, Notice


def test_skid_in_json_agrees_with_the_store(client: httpx.Client, plant: Plant) -> None:
    last = {name: column[-1] for name, column in plant.reader().minutes("intake", 0, NEWEST).items()}
    found = client.get("/api/v1/skids/intake").json()
    assert found["normalised_dp_pa"] == last["normalised"] and found["flow_m3_s"] == last["flow"]
    assert found["changeout_dp_pa"] == 1.0e5 and found["vessels"] == ["V1", "V2"]
    assert found["newest_reading"] == "2026-03-01T02:00:20Z" and found["minute"] == "2026-03-01T01:59:00Z"
    assert found["readings"][0] == {
        "signal": "PT-1", "role": "inlet-pressure", "vessel": None, "time": "2026-03-01T02:00:20Z", "value": 3.21,
        "unit": "bar", "quality": "good"}


def test_skid_that_was_never_heard_of_has_nulls(client: httpx.Client) -> None:
    found = client.get("/api/v1/skids/raceway").json()
    assert found["newest_reading"] is None and found["dp_pa"] is None and found["readings"][0]["value"] is None


def test_list_of_skids_tells_alarms(client: httpx.Client, plant: Plant, due: Event) -> None:
    plant.say(due)
    first = client.get("/api/v1/skids").json()[0]
    assert first["id"] == "intake"
    assert first["alarms"] == [{"kind": "changeout-due", "vessel": None, "signal": None, "state": "active",
                                "since": "2026-03-01T01:58:00Z", "message": due.message}]


def test_events_are_paged_newest_first_and_by_skid(client: httpx.Client, plant: Plant, due: Event) -> None:
    plant.say(event(10, "surge"))
    plant.say(due)
    plant.say(event(119, "surge", skid="raceway"))
    found = client.get("/api/v1/events", params={"skid": "intake"}).json()
    assert [e["kind"] for e in found] == ["changeout-due", "surge"]
    assert found[0]["id"] == due.id and found[0]["value"] == 1.001 and found[0]["transition"] == "raised"
    assert len(client.get("/api/v1/events", params={"limit": 1}).json()) == 1
    since = client.get("/api/v1/events", params={"start_ms": due.time // 1_000_000}).json()
    assert [e["skid"] for e in since] == ["raceway", "intake"]


@pytest.mark.parametrize(("path", "status"), [
    ("/api/v1/skids/none", 404), ("/api/v1/events?skid=none", 404), ("/api/v1/events?limit=0", 422),
    ("/api/v1/events?start_ms=soon", 422), ("/api/v1/nothing", 404),
    ("/api/v1/events?start_ms=soon&start_ms=0", 400), ("/api/v1/changeouts?limit=5&limit=6", 400)])
def test_what_cannot_be_answered_is_refused_in_json(client: httpx.Client, path: str, status: int) -> None:
    answer = client.get(path)
    assert answer.status_code == status and answer.json()["detail"]


def test_description_of_the_interface_names_every_route(client: httpx.Client) -> None:
    found = client.get("/api/v1/openapi.json").json()
    assert found["openapi"].startswith("3.")
    assert set(found["paths"]) == {
        "/api/v1/skids", "/api/v1/skids/{skid}", "/api/v1/skids/{skid}/trend", "/api/v1/events", "/api/v1/alarms",
        "/api/v1/changeouts", "/api/v1/requests", "/api/v1/requests/{number}", "/calendar.ics", "/healthz",
        "/metrics"}


def test_health_tells_the_age_of_the_store(client: httpx.Client) -> None:
    found = client.get("/healthz").json()
    assert found["status"] == "ok" and 0 <= found["store_age_s"] < 60


def test_trend_is_reduced_here_and_names_what_is_missing(client: httpx.Client, plant: Plant) -> None:
    span = {"start_ms": START // 1_000_000, "end_ms": (START + 120 * MINUTE) // 1_000_000, "points": 12}
    found = client.get("/api/v1/skids/intake/trend", params=span).json()
    stored = plant.reader().minutes("intake", START, START + 10 * MINUTE)
    assert found["bucket_s"] == 600 and len(found["time"]) == 12 and found["time"][1] == "2026-03-01T00:10:00Z"
    assert found["dp_pa"][0] == pytest.approx(stored["pressure_drop"].mean()) and found["judged"] == [1.0] * 12
    assert client.get("/api/v1/skids/intake/trend", params=span | {"end_ms": 0}).status_code == 400


def test_request_of_a_program_is_left_for_the_daemon_and_its_answer_is_told(client: httpx.Client, plant: Plant,
                                                                           due: Event) -> None:
    plant.say(due)
    (alarm,) = client.get("/api/v1/alarms").json()
    assert alarm["target"] == "intake/changeout-due" and alarm["priority"] == "medium"
    act = {"action": "shelve", "target": alarm["target"], "who": "Ada", "why": "spare on its way", "for_s": 3600}
    asked = client.post("/api/v1/requests", json=act)
    assert asked.status_code == 202
    number = asked.json()["id"]
    (kept,) = plant.store.requests(open_only=True)
    assert kept.body == {"who": "Ada", "target": "intake/changeout-due", "why": "spare on its way", "for_s": 3600,
                         "via": "HTTP"}
    assert client.get(f"/api/v1/requests/{number}").json()["answer"] is None
    plant.commit(Batch(answers=[(number, "shelved: intake/changeout-due")]))
    assert client.get(f"/api/v1/requests/{number}").json()["answer"] == "shelved: intake/changeout-due"
    assert client.get("/api/v1/requests/99").status_code == 404
    assert client.post("/api/v1/requests", json=act | {"who": ""}).status_code == 400


@pytest.mark.parametrize("spoilt", [b'"why": "\\ud800"', b'"why": "\xed\xa0\x80"', b'"for_s": "\\ud800"',
                                    b'"for_s": NaN, "why": "\\udfff"'])
def test_what_is_no_text_is_refused_and_not_sent_back(client: httpx.Client, plant: Plant, due: Event,
                                                     spoilt: bytes) -> None:
    plant.say(due)
    body = b'{"action": "ack", "target": "intake/changeout-due", "who": "Ada", %s}' % spoilt
    answer = client.post("/api/v1/requests", content=body, headers={"content-type": "application/json"})
    assert answer.status_code in (400, 422) and answer.json()["detail"], answer.text
    assert plant.store.requests() == []


def test_metrics_are_in_the_format_that_collectors_read(client: httpx.Client, plant: Plant, due: Event) -> None:
    """Read by the parser of prometheus-client, the format's own library. A channel's name may hold anything."""
    plant.say(due)
    odd = 'webhook "a\\b"\nx'
    plant.commit(Batch(notices=[Notice(odd, "n", {}, 1)]))
    answer = client.get("/metrics")
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    families = {f.name: f for f in text_string_to_metric_families(answer.text)}
    assert all(f.documentation and f.type in ("gauge", "counter") for f in families.values())
    samples = {(s.name, *sorted(s.labels.values())): s.value for f in families.values() for s in f.samples}
    assert samples["bagwright_alarms", "active", "medium"] == 1 and samples["bagwright_events_total",] == 1
    assert samples["bagwright_outbox_waiting", odd] == 1
    assert samples["bagwright_readings_kept", "recent"] > 0 and samples["bagwright_store_bytes", "database"] > 0


def test_a_skid_that_was_taken_out_neither_ages_nor_alarms_any_more(plant: Plant, due: Event) -> None:
    """Whoever follows its age or its alarm from outside would wait for ever; nobody could act on it here."""
    plant.say(due)
    plant.settings = dataclasses.replace(plant.settings, skids=plant.settings.skids[1:])
    with served(plant) as address, httpx.Client(base_url=address, timeout=10, trust_env=False) as client:
        assert client.get("/api/v1/alarms").json() == [] and "intake" not in client.get("/metrics").text
        assert due.message not in client.get("/alarms").text
