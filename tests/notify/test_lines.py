from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from notify.servers import Metrics, http_post, query
from services import influxd
from store.samples import START, rows, signal, skid

from monitor.model import NS, Entry, Event, Minute, Role, Transition
from monitor.notify.delivery import pack, unpack
from monitor.notify.lines import ReadingLines, event_line, forecast_line, minute_line, step_line, tag, text

TRICKY = ["PT 1", "a,b", "a=b", "east\\west", "a\\\\b", "C:\\", "C:\\\\", "\\,", "x\\ y", "x\\=y", 'the "north" one',
          "Einlauf Süd", "🐟", "#1", "_own", "'", "a, b=c\\d"]


def minute(**changes: float) -> Minute:
    nan = math.nan
    return Minute(START, nan, nan, nan, nan, nan, nan, True)._replace(**changes)


def test_the_references_examples_of_escapes_come_out_as_it_writes_them() -> None:
    """Influx line protocol, v2 reference, section Special characters."""
    assert tag("tag Value1") == r"tag\ Value1"
    assert text('"string" within a string') == r'"\"string\" within a string"'
    assert tag("🍭") == "🍭" and text("Launch 🚀") == '"Launch 🚀"'
    assert tag("a,b=c d") == r"a\,b\=c\ d"


@given(st.text())
def test_a_string_field_reads_back_by_the_references_rule_of_backslashes(value: str) -> None:
    """Reference, Escaping backslashes: of two contiguous ones the first escapes: 1->1, 2->1, 3->2, 4->2, 5->3, 6->3."""
    quoted = text(value)
    assert re.fullmatch(r'"(?:[^"\\]|\\.)*"', quoted) and "\n" not in quoted
    read = re.sub(r'\\([\\"])', r"\1", quoted[1:-1])
    assert read == re.sub(r"[\x00-\x1f\x7f]", " ", value)[:4_000]


@given(st.text(alphabet="\\,= ab\n"))
def test_no_name_can_break_out_of_its_tag(value: str) -> None:
    written = tag(value)
    assert re.fullmatch(r"(?:[^\\,= ]|\\[,= ]|\\(?=[^\\,= ]))*", written), written
    assert "\n" not in written and not written.endswith("\\")


def test_different_names_stay_different() -> None:
    assert len({tag(name) for name in TRICKY}) == len(TRICKY)


def test_a_reading_has_the_documented_tags_fields_and_time() -> None:
    plant = skid("intake 1", [signal("PT-1"), signal("VP", Role.VESSEL_PRESSURE, vessel="east"), signal("L", unit="")])
    made = ReadingLines(plant).lines(rows((0, 0, 3.25), (0.5, 1, -0.0, 1), (1, 2, math.nan, 2)),
                                     np.array([True, False, True]))
    assert made == [
        rf"reading,role=inlet-pressure,signal=PT-1,skid=intake\ 1,unit=bar value=3.25,quality=0i,fed=true {START}",
        r"reading,role=vessel-pressure,signal=VP,skid=intake\ 1,unit=bar,vessel=east value=-0.0,quality=1i,fed=false "
        f"{START + NS // 2}",
        rf"reading,role=inlet-pressure,signal=L,skid=intake\ 1 quality=2i,fed=true {START + NS}"]


@given(st.floats())
def test_every_finite_value_is_written_to_the_last_bit_and_no_other_is_written(value: float) -> None:
    (line,) = ReadingLines(skid()).lines(rows((0, 0, value)), np.array([True]))
    found = re.search(r"value=([^,]+),", line)
    if math.isfinite(value):
        assert found and float(found[1]).hex() == value.hex()
        # the reference's grammar of a float: no hexadecimal, no inf, an exponent with sign or without
        assert re.fullmatch(r"-?\d+(\.\d+)?(e[+-]?\d+)?", found[1])
    else:
        assert found is None


def test_a_minute_is_in_the_contracts_units_without_what_is_unknown() -> None:
    made = minute_line("s", minute(pressure_drop=0.5e5, flow=0.01, temperature=288.15))
    assert made == f"minute,skid=s pressure_drop_bar=0.5,flow_m3_h=36,temperature_degc=15,judged=true {START}"
    assert minute_line("s", minute()) == f"minute,skid=s judged=true {START}"


def test_an_event_has_its_words_as_fields_and_its_names_as_tags() -> None:
    told = Event(START, "s", "changeout-suspect", Transition.RAISED, 'vessel "east"\nlooks wrong', vessel="east",
                 detail="resistance-low", grade="likely", value=0.7, unit="1", onset=START - NS)
    assert event_line(told) == (
        r'event,kind=changeout-suspect,skid=s,transition=raised,vessel=east message="vessel \"east\" looks wrong",'
        rf'id="s/changeout-suspect/east/-/raised/{START}",detail="resistance-low",grade="likely",unit="1",'
        'isa_5_1="PDAL",ne_107="maintenance-required",value=0.7,'
        f"onset={START - NS}i {START}")


def test_steps_and_forecasts_are_points_of_their_own() -> None:
    step = Entry("r 7", START, "s", "ack", "dp-limit", None, None, "unacknowledged", "acknowledged", "Ada, Brook",
                 "page", priority="high")
    assert step_line(step) == (
        r'alarm,kind=dp-limit,skid=s,step=ack id="r 7",before="unacknowledged",after="acknowledged",priority="high",'
        f'who="Ada, Brook",via="page",isa_5_1="PDAHH",ne_107="out-of-specification" {START}')
    assert forecast_line(START, "s", 1.5, 2.0, math.inf) == f"forecast,skid=s p10_h=1.5,p50_h=2.0 {START}"


@given(st.lists(st.text(st.characters(exclude_characters="\n", exclude_categories=["Cs"]), min_size=1), min_size=1))
def test_lines_survive_the_outbox(lines: list[str]) -> None:
    body = pack(lines)
    assert unpack(body) == lines and body["points"] == len(lines)


def tricky_lines() -> list[str]:
    plant = skid("intake 1", [signal(name) for name in TRICKY])
    return ReadingLines(plant).lines(rows(*((0, i, float(i)) for i in range(len(TRICKY)))), np.ones(len(TRICKY), bool))


def expected_names() -> dict[str, float]:
    """A backslash that would be read differently from server to server reads %5C everywhere."""
    changed = {"a\\\\b": "a%5C%5Cb", "C:\\": "C:%5C", "C:\\\\": "C:%5C%5C", "\\,": "%5C,", "x\\ y": "x%5C y",
               "x\\=y": "x%5C=y"}
    return {changed.get(name, name): float(i) for i, name in enumerate(TRICKY)}


@pytest.mark.needs("influxd")
def test_the_trickiest_names_read_back_from_a_server_of_the_first_line(tmp_path: Path) -> None:
    with influxd(tmp_path) as server:
        server.create_database("d")
        assert http_post(server.port, "/write?db=d", "\n".join(tricky_lines()).encode()).status == 204
        assert {r["signal"]: r["value"] for r in query(server, "d", "select * from reading")} == expected_names()


@pytest.mark.needs("victoria-metrics")
def test_the_trickiest_names_read_back_from_a_server_that_drops_bad_lines_silently(tmp_path: Path) -> None:
    with Metrics(tmp_path) as server:
        assert http_post(server.port, "/api/v2/write", "\n".join(tricky_lines()).encode()).status == 204
        found = {labels["signal"]: values[START // 1_000_000] for labels, values in server.export("reading_value")}
        assert found == expected_names()
