"""The JSON interface: SI values, RFC 3339 times, null where unknown."""

from __future__ import annotations

import httpx
import pytest
from display_samples import event
from page_plant import NEWEST, Plant

from monitor.model import Event


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
    ("/api/v1/events?start_ms=soon", 422), ("/api/v1/nothing", 404)])
def test_what_cannot_be_answered_is_refused_in_json(client: httpx.Client, path: str, status: int) -> None:
    answer = client.get(path)
    assert answer.status_code == status and answer.json()["detail"]


def test_description_of_the_interface_names_every_route(client: httpx.Client) -> None:
    found = client.get("/api/v1/openapi.json").json()
    assert found["openapi"].startswith("3.")
    assert set(found["paths"]) == {"/api/v1/skids", "/api/v1/skids/{skid}", "/api/v1/events", "/healthz"}


def test_health_tells_the_age_of_the_store(client: httpx.Client) -> None:
    found = client.get("/healthz").json()
    assert found["status"] == "ok" and 0 <= found["store_age_s"] < 60
