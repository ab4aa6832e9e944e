"""Cases on the page: what was proposed is confirmed, corrected, rejected; who may; what is refused."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from display_samples import read_html
from page_plant import Plant, served
from web.case_samples import NAME, clock, folder_with_a_case

from monitor.settings import Secret, WebSettings, WebUser
from monitor.tuning.casebook import CaseBook
from monitor.tuning.cases import broken_files
from monitor.web import live

LOOK, ACT = WebUser("viewer", "look", Secret("look-token-1")), WebUser("control room", "act", Secret("act-token-2"))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return folder_with_a_case(tmp_path)


@pytest.fixture
def client(plant: Plant, folder: Path) -> Iterator[httpx.Client]:
    with served(plant, CaseBook(folder)) as address, \
            httpx.Client(base_url=address, timeout=10, trust_env=False) as made:  # fmt: skip
        yield made


def document(folder: Path) -> dict[str, Any]:
    return dict(json.loads((folder / NAME / "labels.json").read_text(encoding="utf-8")))


def boxes(client: httpx.Client) -> list[str]:
    """Names of the boxes to tick, in order of time."""
    page = read_html(client.get(f"/cases/{NAME}").text)
    return [t["name"] for t in page.named("input") if str(t.get("name", "")).startswith("entry-")]


def forms(client: httpx.Client) -> list[str]:
    return [f"/cases/{NAME}/label?entry={box.removeprefix('entry-')}" for box in boxes(client)]


def test_cases_are_listed_and_lead_to_their_labels(client: httpx.Client) -> None:
    listed = client.get("/cases")
    assert listed.status_code == 200 and f'href="/cases/{NAME}"' in listed.text and read_html(listed.text).faults == []
    case = client.get(f"/cases/{NAME}")
    assert "3 to look at, 0 labels, 0 decoys" in read_html(case.text).text and read_html(case.text).faults == []
    for form in forms(client):
        answer = client.get(form)
        assert answer.status_code == 200 and read_html(answer.text).faults == [] and "<svg" in answer.text
    assert 'aria-current="page">Cases' in listed.text


def test_what_is_ticked_is_confirmed_or_rejected_with_who_and_the_checksums_follow(client: httpx.Client,
                                                                                   folder: Path) -> None:
    first, second, third = boxes(client)
    sent = client.post(f"/cases/{NAME}", data={"action": "confirm", first: "1", third: "1", "who": "Ada"})
    assert sent.status_code == 303 and sent.headers["location"] == f"/cases/{NAME}"
    kept = document(folder)
    assert [(e["kind"], e["by"]) for e in kept["events"]] == [("changeout-due", "Ada"), ("signal-fault", "Ada")]
    client.post(f"/cases/{NAME}", data={"action": "reject", second: "1", "who": "Ada", "why": "a flush"})
    kept = document(folder)
    assert kept["proposals"] == []
    assert [d["what"] for d in kept["decoys"]] == ["no changeout-done of east, good: a flush"]
    assert broken_files(folder / NAME) == []


def test_a_proposal_is_corrected_and_the_next_one_shown(client: httpx.Client, folder: Path) -> None:
    _, second, third = forms(client)
    given = {"action": "correct", "who": "Ada", "kind": "changeout-done", "time": clock(205), "vessel": "west",
             "detail": "resistance-high", "within_s": "900"}
    sent = client.post(second, data=given)
    assert sent.status_code == 303 and sent.headers["location"] == third
    (entry,) = document(folder)["events"]
    assert entry == {"time": clock(205), "kind": "changeout-done", "vessel": "west", "detail": "resistance-high",
                     "within_s": 900.0, "early_s": 120, "by": "Ada"}
    client.post(third, data={"action": "correct", "who": "Ada", "kind": "signal-fault", "time": clock(300),
                             "detail": "stale", "within_s": "1800"})
    assert "until" not in document(folder)["events"][1]         # what is emptied is gone


def test_what_was_not_seen_is_added_and_what_is_nonsense_taken_out(client: httpx.Client, folder: Path) -> None:
    sent = client.post(f"/cases/{NAME}/label", data={"who": "Ada", "kind": "surge", "time": clock(50)})
    assert sent.status_code == 303
    assert [(e["kind"], e["within_s"]) for e in document(folder)["events"]] == [("surge", 180)]
    client.post(forms(client)[0], data={"action": "drop", "who": "Ada"})
    assert len(document(folder)["proposals"]) == 2


@pytest.mark.parametrize(("given", "words"), [
    ({"time": "yesterday"}, "RFC 3339 with its offset"), ({"vessel": "north"}, "accepted: east, west"),
    ({"kind": "flood"}, "kind flood: accepted"), ({"detail": "torn"}, "detail torn of changeout-done: accepted: good"),
    ({"within_s": "soon"}, "a number of seconds"), ({"action": "burn"}, "Choose what is to be done"),
    ({"until": "later"}, "a time with its offset"),
])  # fmt: skip
def test_a_label_that_could_never_be_found_is_refused_in_words(client: httpx.Client, folder: Path,
                                                              given: dict[str, str], words: str) -> None:
    before = (folder / NAME / "labels.json").read_bytes()
    usual = {"action": "correct", "who": "Ada", "kind": "changeout-done", "time": clock(200), "detail": "good"}
    answer = client.post(forms(client)[1], data=usual | given)
    assert answer.status_code == 200 and words in read_html(answer.text).text
    assert (folder / NAME / "labels.json").read_bytes() == before


def test_two_people_do_not_undo_each_other(client: httpx.Client, folder: Path) -> None:
    first, second, _ = boxes(client)
    form = forms(client)[1]
    client.post(form, data={"action": "drop", "who": "Ada"})
    late = client.post(f"/cases/{NAME}", data={"action": "confirm", first: "1", second: "1", "who": "Bo"})
    assert "1 of them has been changed since" in read_html(late.text).text and document(folder)["events"] == []
    assert client.get(form).status_code == 404


def test_nothing_outside_the_folder_is_reached_and_faults_are_told(client: httpx.Client, folder: Path) -> None:
    for name in ("..%2F..", "%2e%2e", "nothing", f"{NAME}%2F.."):
        assert client.get(f"/cases/{name}").status_code == 404
    (folder / NAME / "recording/export.csv").write_text("time,PT-101\n", encoding="utf-8")
    refused = client.post(f"/cases/{NAME}", data={"action": "confirm", boxes(client)[0]: "1", "who": "Ada"})
    assert "changed since it was made: recording/export.csv" in read_html(refused.text).text
    (folder / NAME / "labels.json").write_text("[", encoding="utf-8")
    assert client.get(f"/cases/{NAME}").status_code == 409
    assert "no JSON" in read_html(client.get("/cases").text).text


def test_rights_and_other_sites_are_those_of_every_form(plant: Plant, folder: Path) -> None:
    plant.settings = dataclasses.replace(plant.settings, web=WebSettings(users=(LOOK, ACT)))
    with served(plant, CaseBook(folder)) as address, \
            httpx.Client(base_url=address, timeout=10, trust_env=False) as client:  # fmt: skip
        assert client.get("/cases").headers["location"] == "/login?then=/cases"
        client.post("/login?then=/cases", data={"token": "look-token-1"})
        box = boxes(client)[0]
        given = {"action": "confirm", box: "1"}
        assert client.post(f"/cases/{NAME}", data=given).status_code == 403
        client.post("/login?then=/cases", data={"token": "act-token-2"})
        foreign = client.post(f"/cases/{NAME}", data=given, headers={"origin": "https://elsewhere.example"})
        assert foreign.status_code == 403 and document(folder)["events"] == []
        assert client.post(f"/cases/{NAME}", data=given).status_code == 303
        assert document(folder)["events"][0]["by"] == "control room"


@pytest.mark.parametrize("watched", [True, False])
def test_data_grow_old_only_where_something_is_watched(plant: Plant, folder: Path, monkeypatch: pytest.MonkeyPatch,
                                                       watched: bool) -> None:
    monkeypatch.setattr(live, "OLD_S", -1.0)
    if not watched:
        plant.settings = dataclasses.replace(plant.settings, skids=())
    with served(plant, CaseBook(folder)) as address, \
            httpx.Client(base_url=address, timeout=10, trust_env=False) as client:  # fmt: skip
        notice = client.get("/cases").text.partition('id="old"')[2].partition(">")[0]
    assert (" hidden" in notice) is not watched


def test_without_a_folder_there_is_no_view_of_cases(plant: Plant) -> None:
    with served(plant) as address, httpx.Client(base_url=address, timeout=10, trust_env=False) as client:
        assert client.get("/cases").status_code == 404 and ">Cases<" not in client.get("/").text
