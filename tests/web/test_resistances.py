"""What changeouts tell of single vessels, and how it is drawn: as points, with nothing invented in between."""

from __future__ import annotations

import re

import pytest
from display_samples import MINUTE, START, event, hatchery_skid, read_html

from monitor.model import Event, Transition
from monitor.web.plots import WIDTH, Frame
from monitor.web.resistances import Seen, clean_reference, draw_resistances, last_seen, seen

SKID = hatchery_skid()
FRAME = Frame(START, START + 100 * MINUTE)


def done(out: float, back: float, vessel: str | None, before: float, after: float | None, *others: float) -> Event:
    told = {"isolated_at": START + round(out * MINUTE), "returned_at": START + round(back * MINUTE),
            "resistance_before_pa": before, "resistance_after_pa": after, "resistance_others_pa": list(others),
            "clean_reference_pa": 0.21e5}
    return event(back + 5, "changeout-done", Transition.NOTED, vessel=vessel, evidence=told)


FIRST = done(10, 20, "V1", 1.0e5, 0.2e5, 0.6e5)
SECOND = done(60, 70, "V2", 1.1e5, 0.22e5, 0.5e5)


def test_changeout_tells_its_vessel_before_and_after_and_the_others_at_its_isolation() -> None:
    at = [START + m * MINUTE for m in (10, 20, 60, 70)]
    assert seen(SKID, [SECOND, FIRST, event(3, "surge")]) == [
        Seen(at[0], "V1", 1.0e5, False), Seen(at[0], "V2", 0.6e5, False), Seen(at[1], "V1", 0.2e5, True),
        Seen(at[2], "V2", 1.1e5, False), Seen(at[2], "V1", 0.5e5, False), Seen(at[3], "V2", 0.22e5, True)]
    assert {v: (s.pascal, s.fresh) for v, s in last_seen(SKID, [FIRST, SECOND]).items()} == {
        "V1": (0.5e5, False), "V2": (0.22e5, True)}


def test_vessel_that_the_headers_do_not_tell_is_not_guessed() -> None:
    unknown = done(10, 20, None, 1.0e5, None, 0.6e5)
    assert [s.vessel for s in seen(SKID, [unknown])] == [None] and last_seen(SKID, [unknown]) == {}
    html = read_html(str(draw_resistances(SKID, [unknown], FRAME)))
    assert "not known which" in html.text and html.faults == []


def courses(markup: str) -> dict[str, list[list[str]]]:
    """Curve -> its joined pieces, as points."""
    return {label: [piece.split() for piece in d.split("M")[1:]]
            for label, d in re.findall(r'data-label="([^"]*)" d="([^"]*)"', markup)}


def test_a_life_is_joined_and_two_lives_are_not() -> None:
    drawn = str(draw_resistances(SKID, [FIRST, SECOND], FRAME))
    assert read_html(drawn).faults == [] and "In between only all together are known" in drawn
    x = [WIDTH * m // 100 for m in (10, 20, 60, 70)]
    found = {name: [[p.split(",")[0] for p in piece] for piece in pieces] for name, pieces in courses(drawn).items()}
    assert found == {"V1": [[str(x[1]), str(x[2])]], "V2": [[str(x[0]), str(x[2])]]}       # never old to new element
    assert sum(d.count("h0") for d in re.findall(r'class="dots" d="([^"]*)"', drawn)) == 6


@pytest.mark.parametrize(("start", "end", "shown"), [
    (25, 55, {"V1", "V2"}),     # both lives go right through the span
    (0, 5, set()),              # before anything was known
    (80, 100, set()),           # the last word was before it: nothing is carried on
    (15, 25, {"V1", "V2"})])
def test_span_shows_what_was_seen_on_both_sides_of_it_but_nothing_beyond(start: int, end: int, shown: set[str]) -> None:
    frame = Frame(START + start * MINUTE, START + end * MINUTE)
    assert set(courses(str(draw_resistances(SKID, [FIRST, SECOND], frame)))) == shown


def test_clean_reference_is_the_last_one_that_was_compared_with_or_the_data_sheets() -> None:
    assert clean_reference(SKID, [FIRST]) == 0.21e5 and clean_reference(SKID, []) == SKID.element.clean_dp
