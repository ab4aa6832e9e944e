"""What is inferred of a vessel's valves, and that a low reading is never more than a reading."""

from __future__ import annotations

import dataclasses
import math

import pytest
from display_samples import START, hatchery_skid, read_html

from monitor.model import NS, Minute, Quality
from monitor.web.data import Isolation, LiveValue, SkidNow
from monitor.web.drawing import draw_skid
from monitor.web.vessels import Valves, service_count, vessels_now

NOW = START + 100 * NS


def seen(vessel: float | None, inlet: float = 3.2, outlet: float = 2.0, age_s: float = 0.0,
         quality: Quality = Quality.GOOD) -> SkidNow:
    """Two vessels, the first with a transmitter that read `vessel` bar."""
    skid = hatchery_skid()
    values = {"PT-1": (NOW, inlet, Quality.GOOD), "PT-2": (NOW, outlet, Quality.GOOD)}
    if vessel is not None:
        values["PT-11"] = (NOW - round(age_s * NS), vessel, quality)
    never = (None, math.nan, Quality.GOOD)
    return SkidNow(skid, NOW, None, tuple(LiveValue(s, *values.get(s.id, never)) for s in skid.signals), ())


@pytest.mark.parametrize(("vessel", "valves"), [
    (3.2, Valves.OPEN), (3.1, Valves.OPEN), (2.0, Valves.OPEN), (1.3, Valves.SHUT), (0.02, Valves.SHUT),
    (-0.05, Valves.SHUT), (4.5, Valves.SHUT)])
def test_vessel_that_leaves_the_headers_pressures_is_taken_as_shut(vessel: float, valves: Valves) -> None:
    assert vessels_now(seen(vessel))[0].valves is valves


def flowing(now: SkidNow, flow: float = 55 / 3600) -> SkidNow:
    """The same while water flows, as its newest minute tells."""
    return dataclasses.replace(now, minute=Minute(NOW, 3.2e5, 2e5, 1.2e5, flow, 284.0, 1.2e5, True))


TRIPLEX = dataclasses.replace(hatchery_skid(), vessels=("V1", "V2", "V3"), in_service=2)


@pytest.mark.parametrize(("now", "vessel", "valves", "words"), [
    (flowing(seen(3.2)), 1, Valves.OPEN, "in service, as the headers suggest"),
    (flowing(seen(None)), 0, Valves.OPEN, "in service, as the headers suggest; its transmitter gives nothing"),
    (flowing(seen(3.2)), 0, Valves.OPEN, "open to the headers, as inferred"),
    # One is out, and the other's own pressure follows the headers: no choice is left.
    (dataclasses.replace(flowing(seen(3.2)), isolation=Isolation(None, START)), 1, Valves.SHUT,
     "shut off, as the headers suggest, since 2026-03-01 00:00:00 UTC; its pressure is not known: prove zero"),
    # Which of two without a transmitter is out, the headers do not tell.
    (dataclasses.replace(flowing(seen(None)), isolation=Isolation(None, START)), 1, Valves.UNKNOWN,
     "1 of V1, V2 in service, as the headers suggest, since 2026-03-01 00:00:00 UTC; they do not tell which"),
    # One is seen to be shut: the other carries the flow.
    (dataclasses.replace(flowing(seen(0.02)), isolation=Isolation("V1", START)), 1, Valves.OPEN, "in service"),
    # Two of three in service, none or one of them seen.
    (dataclasses.replace(flowing(seen(None)), skid=TRIPLEX), 2, Valves.UNKNOWN, "2 of V1, V2, V3 in service"),
    (dataclasses.replace(flowing(seen(3.2)), skid=TRIPLEX), 2, Valves.UNKNOWN, "1 of V2, V3 in service"),
    (flowing(seen(3.2), 0.5 / 3600), 1, Valves.UNKNOWN, "no transmitter in it"),
    (flowing(seen(3.2), math.nan), 1, Valves.UNKNOWN, "no transmitter in it")])
def test_vessel_without_a_transmitter_is_told_by_what_the_headers_leave_open(now: SkidNow, vessel: int, valves: Valves,
                                                                            words: str) -> None:
    found = vessels_now(now)[vessel]
    assert found.valves is valves and found.words.startswith(words)


@pytest.mark.parametrize(("now", "count"), [
    (flowing(seen(3.2)), (2, 2)), (flowing(seen(None)), (2, 2)), (seen(None), None),
    (dataclasses.replace(flowing(seen(None)), isolation=Isolation(None, START)), (1, 2)),
    (dataclasses.replace(flowing(seen(None)), skid=TRIPLEX), (2, 3))])
def test_vessels_in_service_are_counted_by_the_headers_while_water_flows(now: SkidNow, count: tuple[int, int] | None
                                                                         ) -> None:
    assert service_count(now, vessels_now(now)) == count


@pytest.mark.parametrize("now", [
    seen(None), seen(1.3, quality=Quality.BAD), seen(1.3, age_s=300), seen(0.0, inlet=0.1, outlet=0.0),
    seen(1.3, inlet=math.nan)])
def test_nothing_is_inferred_without_something_to_go_by(now: SkidNow) -> None:
    assert vessels_now(now)[0].valves is Valves.UNKNOWN


@pytest.mark.parametrize("pressure", [-0.05, 0.0, 0.02, 0.09])
def test_low_reading_is_said_to_prove_nothing(pressure: float) -> None:
    words = vessels_now(seen(pressure))[0].words
    assert "a low reading proves nothing: prove zero at the local gauge and an open vent" in words
    assert "safe" not in words and "may be opened" not in words


def test_pressure_left_in_a_shut_vessel_is_adverse_and_named() -> None:
    (vessel, _) = vessels_now(seen(1.3))
    assert vessel.adverse and "still 1.30 bar in it" in vessel.words
    assert not vessels_now(seen(3.2))[0].adverse


def test_vessels_in_service_are_counted_only_where_all_are_seen() -> None:
    skid = hatchery_skid()
    both = dataclasses.replace(skid, vessels=("V1",), in_service=1)
    assert service_count(seen(3.2), vessels_now(seen(3.2))) is None
    one = dataclasses.replace(seen(3.2), skid=both)
    assert service_count(one, vessels_now(one)) == (1, 1)


def test_long_names_are_cut_in_the_drawing_and_whole_in_its_description() -> None:
    name = "Upper river intake, left bank"
    signals = tuple(dataclasses.replace(s, vessel=name if s.vessel == "V1" else s.vessel)
                    for s in hatchery_skid().signals)
    skid = dataclasses.replace(hatchery_skid(), vessels=(name, "V2"), signals=signals)
    html = read_html(str(draw_skid(dataclasses.replace(seen(3.2), skid=skid), vessels_now(
        dataclasses.replace(seen(3.2), skid=skid)))))
    assert name not in html.text and "Upper river inta\u2026" in html.text
    assert f"Vessel {name}: " in next(html.attributes("aria-label"))


def test_drawing_tells_state_in_words_and_by_shape_to_those_who_cannot_see_it() -> None:
    now = seen(1.3)
    html = read_html(str(draw_skid(now, vessels_now(now))))
    (label,) = html.attributes("aria-label")
    assert html.faults == [] and "inlet header 3.20 bar, outlet header 2.00 bar" in label
    assert "Vessel V1: 1.30 bar, shut off, as inferred; still 1.30 bar in it." in label
    assert "Vessel V2: no pressure known, no transmitter in it." in label
    assert html.text.count("shut") == 2 and html.text.count("not known") == 2 and "! 1.30 bar" in html.text
