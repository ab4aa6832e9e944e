"""What is drawn: gaps stay gaps, limits show, and text is text."""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt
from display_samples import MINUTE, START, event, hatchery_skid, history, read_html

from monitor.model import Transition
from monitor.web.plots import WIDTH, Frame, Limit, Line, Panel, draw_panel
from monitor.web.trend import draw_trend, lanes


def drawn(values: list[float], *, time: npt.NDArray[np.int64] | None = None, limit: float | None = None) -> str:
    at = START + MINUTE * np.arange(len(values)) if time is None else time
    limits = () if limit is None else (Limit("limit", limit),)
    panel = Panel("dP", "bar", (Line("dP", np.array(values, np.float64), limit=limit),), limits)
    return str(draw_panel(at, panel, Frame(int(at[0]), int(at[-1]))))


def path(svg: str, style: str = "line strong") -> str:
    found = re.search(rf'<path class="{style}"[^>]* d="([^"]*)"', svg)
    assert found
    return found[1]


def test_unbroken_values_are_one_stretch_over_the_whole_width() -> None:
    curve = path(drawn([1.0, 2.0, 3.0]))
    assert curve.count("M") == 1
    assert curve.startswith("M0,") and f" {WIDTH}," in curve


def test_an_unknown_value_breaks_the_line() -> None:
    curve = path(drawn([1.0, 2.0, np.nan, 3.0, 4.0]))
    assert curve.count("M") == 2
    assert "nan" not in curve and "5000," not in curve          # the middle of the width


def test_missing_buckets_break_the_line() -> None:
    time = START + MINUTE * np.array([0, 1, 2, 3, 8, 9, 10])
    assert path(drawn([1.0] * 7, time=time)).count("M") == 2


def test_a_lone_value_between_gaps_is_a_dot() -> None:
    assert path(drawn([1.0, np.nan, 2.0, np.nan, 3.0])).count("h0") == 3


def test_what_lies_beyond_the_limit_is_drawn_again() -> None:
    assert "beyond" not in drawn([0.5, 0.6, 0.7], limit=1.0)
    again = path(drawn([0.5, 0.6, 0.9, 1.2, 1.1, 0.7, 0.5], limit=1.0), "line beyond")
    assert len(re.findall(r"[\d.]+,[\d.]+", again)) == 4            # the two beyond and a neighbour on each side


def test_a_limit_is_coloured_only_where_what_reaches_it_can_be_gone_by() -> None:
    values = np.array([0.5, 1.2, 1.3, 0.5])
    for firm, shown in ((None, True), (np.array([True, False, False, True]), False), (np.ones(4, np.bool_), True)):
        panel = Panel("dP", "bar", (Line("dP", values, limit=1.0, firm=firm),))
        time = START + MINUTE * np.arange(4)
        assert ("beyond" in draw_panel(time, panel, Frame(START, START + 4 * MINUTE))) is shown


def test_points_that_come_seldom_by_nature_are_one_course() -> None:
    time = START + MINUTE * np.array([0, 1, 2, 3, 13, 23, 60])
    line = Line("Forecast", np.arange(7.0))
    for joined, pieces in ((0, 4), (30 * MINUTE, 2)):
        drawn = draw_panel(time, Panel("h", "h", (line,), joined=joined), Frame(START, START + 60 * MINUTE))
        assert path(str(drawn)).count("M") == pieces


def test_higher_values_lie_higher() -> None:
    heights = [float(y) for _, y in re.findall(r"([\d.]+),([\d.]+)", path(drawn([1.0, 2.0, 3.0, 2.5])))]
    assert heights[0] > heights[1] > heights[3] > heights[2] >= 0


def test_limits_lie_inside_the_plot_however_low_the_values_are() -> None:
    svg = drawn([0.01, 0.02, 0.01], limit=2.5)
    (y,) = re.findall(r'<line class="limit alarm"[^>]*y1="([\d.]+)"', svg)
    assert 8 <= float(y) <= 8 + 150
    assert "limit 2.50 bar" in svg


def test_who_cannot_see_the_plot_is_told_its_figures() -> None:
    (label,) = read_html(drawn([1.0, 3.0, 2.0], limit=2.5)).attributes("aria-label")
    assert "lowest 1, highest 3, last 2." in label and "limit: 2.5" in label and "2026-03-01 00:00:00 UTC" in label


def test_constant_zero_and_huge_values_are_drawn_without_warning() -> None:
    for values in ([0.0, 0.0], [-0.0, 1e-9], [1e12, 1e12], [5.0, 5.0]):
        assert path(drawn(values)).count("M") == 1


def test_titles_and_labels_are_escaped() -> None:
    panel = Panel("<b>&", '"bar"', (Line("<i>", np.array([1.0, 2.0])), Line("x", np.array([1.0, 2.0]))),
                  (Limit("<u>", 1.0),), empty="<s>")
    html = read_html(str(draw_panel(START + MINUTE * np.arange(2), panel, Frame(START, START + MINUTE))))
    assert html.faults == [] and not {"b", "i", "u", "s"} & {tag for tag, _ in html.tags}


def test_a_condition_is_a_bar_from_raised_to_cleared_and_stands_until_then() -> None:
    found = lanes(hatchery_skid(), [event(1, "surge"), event(5, "surge", Transition.CLEARED), event(7, "dp-limit"),
                   event(8, "changeout-done", Transition.NOTED, vessel="V1")], START, START + 10 * MINUTE)
    spans = {lane.label: [((s.start - START) // MINUTE, s.end and (s.end - START) // MINUTE) for s in lane.spans]
             for lane in found}
    assert spans == {"dP near the elements' limit": [(7, None)], "Pressure surge": [(1, 5)], "Changeout done": [(8, 8)]}


def test_vessels_of_one_kind_are_paired_apart() -> None:
    (lane,) = lanes(hatchery_skid(), [event(1, "closure-seep", vessel="V1"), event(2, "closure-seep", vessel="V2"),
                     event(3, "closure-seep", Transition.CLEARED, vessel="V1")], START, START + 10 * MINUTE)
    assert sorted((s.end is None) for s in lane.spans) == [False, True]


def test_what_was_raised_before_the_events_we_have_starts_at_the_edge() -> None:
    (lane,) = lanes(hatchery_skid(), [event(3, "surge", Transition.CLEARED)], START, START + 10 * MINUTE)
    assert [(s.start, s.end) for s in lane.spans] == [(START, START + 3 * MINUTE)]


def test_a_skid_without_temperature_has_no_panel_for_it() -> None:
    trend = history(30)
    assert "Temperature" in draw_trend(hatchery_skid(), trend, [])
    trend["temperature"][:] = np.nan
    assert "Temperature" not in draw_trend(hatchery_skid(), trend, [])
