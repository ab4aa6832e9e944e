"""The changeout companion: adverse evidence beside each step, and never leave to open."""

from __future__ import annotations

import httpx
import numpy as np
import pytest
from display_samples import MINUTE, START, event, read_html, rows
from page_plant import NEWEST, Plant

from monitor.model import NS, Fact, Transition
from monitor.store import Batch

HEADERS = {0: 3.2, 1: 2.0}


def read(plant: Plant, vessel: float, seconds: int = 0) -> None:
    values = rows({**HEADERS, 4: vessel}, NEWEST + (1 + seconds) * NS)
    plant.commit(Batch(rows=[("intake", values, np.ones(values.size, np.bool_))]))


def companion(client: httpx.Client) -> str:
    client.get("/healthz")
    html = read_html(client.get("/companion/intake/V1").text)
    assert html.faults == []
    return html.text


@pytest.mark.parametrize("pressure", [-0.08, 0.0, 0.03, 0.09])
def test_low_pressure_is_neither_shown_nor_taken_for_leave_to_open(client: httpx.Client, plant: Plant,
                                                                   pressure: float) -> None:
    read(plant, pressure)
    text = companion(client)
    assert text.count("Nothing adverse is seen, and that confirms nothing: no transmitter can.") == 4
    assert f"{pressure:.2f} bar" not in text
    for words in ("safe to open", "may be opened", "can be opened", "no pressure", "depressur"):
        assert words not in text.replace("cannot prove that a vessel is safe to open", "")


def test_vessel_without_a_transmitter_is_watched_by_the_headers_alone(client: httpx.Client, plant: Plant) -> None:
    plant.read(NEWEST + NS, 3.2)
    client.get("/healthz")
    text = read_html(client.get("/companion/intake/V2").text).text
    assert "The headers show no vessel out of service yet" in text and text.count("Nothing of this vessel is seen") == 4
    plant.commit(Batch(facts=[Fact("intake", "isolation", {"vessel": None, "since": NEWEST, "until": None}, NEWEST)]))
    client.get("/healthz")
    text = read_html(client.get("/companion/intake/V2").text).text
    assert "The headers show no vessel out" not in text
    assert "The headers still show a vessel out of service." in text
    back = {"vessel": None, "since": NEWEST, "until": NEWEST + NS}
    plant.commit(Batch(facts=[Fact("intake", "isolation", back, NEWEST + NS)]))
    client.get("/healthz")
    assert "The headers still show" not in client.get("/companion/intake/V2").text


def test_pressure_left_in_the_vessel_stands_beside_the_steps_it_speaks_against(client: httpx.Client,
                                                                              plant: Plant) -> None:
    read(plant, 1.3)
    assert companion(client).count("Still 1.30 bar in this vessel.") == 4


def test_pressure_that_comes_back_is_told_apart_from_pressure_that_was_left(client: httpx.Client, plant: Plant) -> None:
    for second in range(60):
        read(plant, 0.02, second)
    read(plant, 0.4, 60)
    text = companion(client)
    assert text.count("Pressure is coming back: 0.40 bar. Keep clear of the lid") == 6
    assert "Still 0.40 bar" not in text


def test_vessel_that_follows_the_headers_is_said_to_be_open_to_them(client: httpx.Client, plant: Plant) -> None:
    read(plant, 3.19)
    text = companion(client)
    assert "This vessel still follows the headers: a valve is open or passes." in text
    assert text.count("This vessel follows the headers: it is under their pressure.") == 3


def test_before_isolating_the_load_on_the_others_is_told_as_a_range(client: httpx.Client) -> None:
    """At held flow the other vessel carries twice as much: dP at least doubles, and more where cake packs (the
    square of the flow, and cake's compressibility, bound it)."""
    text = companion(client)
    low, high = text.split("the others will show ")[1].split(" bar at held flow")[0].split(" to ")
    assert 2 * 1.2 < float(low) < float(high) < 6.0
    assert "The elements are built for 2.50 bar: lower the flow first." in text


def test_what_cannot_wait_is_told_above_all_steps(client: httpx.Client, plant: Plant) -> None:
    plant.say(event(119, "dp-limit", message="dP nears what the elements hold."))
    text = companion(client)
    assert text.index("dP nears what the elements hold.") < text.index("Tell the control room")


def test_it_ends_in_the_verification(client: httpx.Client, plant: Plant) -> None:
    assert "The check is told once flow is steady again" in companion(client)
    plant.say(event(110, "changeout-done", Transition.NOTED, vessel="V1", detail="good", value=1.02, unit="1",
                    evidence={"returned_at": START + 105 * MINUTE}))
    text = companion(client)
    assert "its check: consistent with a clean element, which is no proof of a seal." in text
    assert "Write down what was found" in text


def test_vessel_without_transmitter_is_said_to_be_unseen(client: httpx.Client) -> None:
    html = read_html(client.get("/companion/intake/V2").text)
    assert html.text.count("Nothing of this vessel is seen from here.") == 4
    assert client.get("/companion/intake/V9").status_code == 404 == client.get("/companion/none/V1").status_code
