"""Forms: what they ask of the daemon, and who may ask."""

from __future__ import annotations

import csv
import dataclasses
import io

import httpx
import pytest
from display_samples import MINUTE, START, event, read_html
from page_plant import Plant, served

from monitor.alarms.acting import VERBS
from monitor.alarms.handling import handling_of
from monitor.alarms.lifecycle import HIDINGS, Position, RefusedError, State, moved
from monitor.model import Event, Transition
from monitor.store import Batch
from monitor.web.alarm_views import acts
from monitor.web.data import AlarmNow

DONE = event(60, "changeout-done", Transition.NOTED, vessel="V1", detail="resistance-high", value=1.41, unit="1",
             evidence={"isolated_at": START + 40 * MINUTE, "returned_at": START + 58 * MINUTE, "life_h": 190.25,
                       "volume_m3": 5661.0, "drop_before_bar": 1.01, "drop_after_bar": 0.58})
FORM = f"/changeouts/inspection?event={DONE.id}"


def test_acknowledgement_is_left_for_the_daemon_with_who_and_why(client: httpx.Client, plant: Plant,
                                                                 due: Event) -> None:
    plant.say(due)
    form = client.get("/alarms/act?skid=intake&kind=changeout-due")
    assert form.status_code == 200 and read_html(form.text).faults == []
    sent = client.post("/alarms/act?skid=intake&kind=changeout-due",
                       data={"action": "ack", "who": "Ada", "why": "planned for tonight"})
    assert sent.status_code == 303 and sent.headers["location"] == "/alarms"
    (request,) = plant.store.requests(open_only=True)
    assert (request.skid, request.action) == ("intake", "ack")
    assert request.body["who"] == "Ada" and request.body["why"] == "planned for tonight"
    assert "waits for the monitor" in client.get("/alarms").text


@pytest.mark.parametrize(("given", "status", "words"), [
    ({"action": "shelve", "who": "Ada"}, 200, "needs a reason"),
    ({"action": "unshelve", "who": "Ada"}, 200, "cannot be done in the state"),
    ({"action": "ack"}, 400, "Your name is missing"),
    ({"action": "ack", "who": "A" * 20_000}, 413, "more than a form holds")])
def test_action_that_cannot_be_done_is_refused_in_words(client: httpx.Client, plant: Plant, due: Event,
                                                        given: dict[str, str], status: int, words: str) -> None:
    plant.say(due)
    answer = client.post("/alarms/act?skid=intake&kind=changeout-due", data=given)
    assert answer.status_code == status and words in answer.text
    assert plant.store.requests() == []


def test_priority_response_and_longest_shelf_are_those_of_the_configuration(plant: Plant, due: Event) -> None:
    own = handling_of("changeout-due", {"priority": "high", "response": "Ring the river watch.",
                                        "consequence": "Fry without water.", "respond_within_s": 1_200.0,
                                        "shelve_limit_s": 7_200.0})
    skid = plant.settings.skids[0]
    rule = dataclasses.replace(skid.alarms["changeout-due"], handling=own)
    skid = dataclasses.replace(skid, alarms={**skid.alarms, "changeout-due": rule})
    plant.settings = dataclasses.replace(plant.settings, skids=(skid,))
    plant.say(due)
    with served(plant) as address, httpx.Client(base_url=address, trust_env=False) as client:
        assert "Ring the river watch." in read_html(client.get("/alarms").text).text
        assert 'class="word high">Changeout due' in client.get("/alarms").text
        form = read_html(client.get("/alarms/act?skid=intake&kind=changeout-due").text)
        assert "If nobody does: Fry without water. A response is useful within 20 min." in form.text
        assert [t["value"] for t in form.named("input") if t.get("name") == "hours"] == ["1", "2"]
        given = {"action": "shelve", "who": "Ada", "why": "diver down", "hours": "8"}
        client.post("/alarms/act?skid=intake&kind=changeout-due", data=given)
        assert plant.store.requests()[0].body["for_s"] == 3_600         # never longer than the daemon takes


def test_an_alert_is_shown_and_nobody_is_asked_to_acknowledge_it(client: httpx.Client, plant: Plant) -> None:
    """As the daemon stores one (`alarms/desk.py`); it would refuse an acknowledgement."""
    told = event(110, "changeout-forecast", value=5.0, unit="h", message="Expected in 5 h.")
    body = {"state": "active", "since": told.time, "event": told.id, "sort": "alert", "active": True}
    plant.commit(Batch(events=[told], alarm_states={("intake", "changeout-forecast", None, None): body}))
    client.get("/healthz")
    page = read_html(client.get("/alarms").text)
    assert "Alerts, which need no acknowledgement 1" in page.text and "To be acknowledged" not in page.text
    form = read_html(client.get("/alarms/act?skid=intake&kind=changeout-forecast").text)
    assert form.faults == [] and [b["value"] for b in form.named("button") if b.get("name") == "action"] == ["journal"]


@pytest.mark.parametrize("hidden", [None, *HIDINGS])
@pytest.mark.parametrize("memory", [State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.RETURNED,
                                    State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED])
def test_what_is_offered_is_what_the_life_of_an_alarm_allows(memory: State, hidden: State | None) -> None:
    """Every action that the daemon would do in this state, and none that it would refuse (shelving anew aside)."""
    position = Position(memory, hidden)
    alarm = AlarmNow("intake", "surge", None, None, str(position.shown), None, "", "high")

    def done(action: str) -> bool:
        try:
            moved(position, VERBS[action], latching=True)
        except RefusedError:
            return False
        return True

    assert {a for a in VERBS if done(a)} - {"shelve"} == set(acts(alarm)) - {"shelve", "journal"}
    assert ("shelve" in acts(alarm)) <= done("shelve") and "journal" in acts(alarm)


def test_alarm_that_is_over_cannot_be_acted_on(client: httpx.Client) -> None:
    assert client.get("/alarms/act?skid=intake&kind=surge").status_code == 404


def test_what_another_site_sends_is_not_done(client: httpx.Client, plant: Plant, due: Event) -> None:
    plant.say(due)
    address, data = "/alarms/act?skid=intake&kind=changeout-due", {"action": "ack", "who": "Ada"}
    for headers in ({"origin": "https://elsewhere.example"}, {"origin": "null"}, {"sec-fetch-site": "cross-site"}):
        assert client.post(address, data=data, headers=headers).status_code == 403
    assert plant.store.requests() == []
    assert client.post(address, data=data, headers={"origin": str(client.base_url).rstrip("/")}).status_code == 303


def test_record_tells_life_volume_levels_and_verdict(client: httpx.Client, plant: Plant) -> None:
    plant.say(DONE)
    html = read_html(client.get("/changeouts").text)
    assert html.faults == []
    for words in ("190.2 h", "5661 m³", "1.01 bar", "0.58 bar", "too much resistance", "1.41 of clean", "18 min"):
        assert words in html.text
    assert "River intake B-5 1 1" in html.text          # elements used in a month and in a year


def test_form_keeps_what_was_found_beside_the_record(client: httpx.Client, plant: Plant) -> None:
    plant.say(DONE)
    assert read_html(client.get(FORM).text).faults == []
    given = {"basket": "damaged", "element": "the usual one", "o_ring": "new", "leak": "drips", "note": "=2+2",
             "who": "Ada"}
    assert client.post(FORM, data=given).status_code == 303
    text = read_html(client.get("/changeouts").text).text
    assert "strainer basket looked at: damaged" in text and "leak seen after return: drips" in text and "Ada" in text
    (row,) = csv.DictReader(io.StringIO(client.get("/changeouts.csv").text))
    assert row["verdict"] == "resistance-high" and row["life_h"] == "190.25" and row["basket"] == "damaged"
    assert row["looked_at_by"] == "Ada" and row["note"] == "'=2+2"      # not a formula when a spreadsheet opens it


def test_form_that_says_nothing_or_nonsense_is_not_kept(client: httpx.Client, plant: Plant) -> None:
    plant.say(DONE)
    answer = client.post(FORM, data={"basket": "<b>", "who": "Ada"})
    assert answer.status_code == 200 and "Nothing was filled in." in answer.text
    assert plant.store.requests() == [] and client.get("/changeouts/inspection?event=none").status_code == 404


def test_event_shows_its_evidence_in_units_that_are_read(client: httpx.Client, plant: Plant) -> None:
    plant.say(DONE)
    html = read_html(client.get(f"/event/{DONE.id}").text)
    assert html.faults == [] and "Life 190.2 h" in html.text and "dP before 1.01 bar" in html.text
    assert "Isolated at 2026-03-01 00:40:00 UTC" in html.text
    assert client.get("/event/intake/none").status_code == 404


def test_the_monitors_own_alarms_stand_with_the_others_and_can_be_acted_on(client: httpx.Client, plant: Plant) -> None:
    body = {"state": "unacknowledged", "since": START, "event": None, "sort": "alarm", "priority": "medium",
            "active": True, "id": "monitor/monitor-fault/lag"}
    plant.commit(Batch(alarm_states={("monitor", "monitor-fault", None, "lag"): body}))
    assert "Monitor fault" in client.get("/alarms").text
    address = "/alarms/act?skid=monitor&kind=monitor-fault&signal=lag"
    assert "The monitor itself" in client.get(address).text
    assert client.post(address, data={"action": "ack", "who": "Ada"}).status_code == 303
    (request,) = plant.store.requests(open_only=True)
    assert (request.skid, request.action) == ("monitor", "ack")


def test_a_change_is_asked_over_the_interface_with_its_time_and_part(client: httpx.Client, plant: Plant) -> None:
    asked = {"action": "changed", "target": "intake/V1", "who": "Ada", "part": "25 um felt",
             "at": "2026-03-01T09:30:00+01:00"}
    assert client.post("/api/v1/requests", json=asked).status_code == 202
    (request,) = plant.store.requests(open_only=True)
    assert request.body["at"] == 1_772_353_800 * 10**9 and request.body["part"] == "25 um felt"   # `date -ud`
    assert client.post("/api/v1/requests", json=asked | {"at": "2026-03-01T09:30:00"}).status_code == 422
