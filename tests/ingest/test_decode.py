"""Payloads: the strict number against a grammar and float(), JSON against the json module, words by one table."""

from __future__ import annotations

import json
import math
import re

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from monitor.ingest.decode import MAX_PAYLOAD, Decoded, Decoder, Refused, decode
from monitor.ingest.words import quality_of, strict_number
from monitor.model import NS, Quality, Reason, Role
from monitor.skid import Payload, PayloadFormat, Signal, TimeFormat
from monitor.times import parse_rfc3339
from tests.ingest.helpers import signal

ARRIVAL = 1_740_816_000 * NS  # 2025-03-01T08:00:00Z
PT = signal("PT-101")
LEAK = signal("LS-1", Role.LEAK_SENSOR, unit="1", high=1.0)
GOOD, UNCERTAIN, BAD = Quality.GOOD, Quality.UNCERTAIN, Quality.BAD


def of(payload: bytes | str, subject: Signal = PT) -> Decoded | Refused:
    return decode(payload if isinstance(payload, bytes) else payload.encode(), subject, ARRIVAL)


def reason_of(payload: bytes | str, subject: Signal = PT) -> Reason | None:
    return of(payload, subject).reason


def configured(**options: object) -> Signal:
    return signal("PT-101", payload=Payload(**options))  # type: ignore[arg-type]


NUMBER = re.compile(rb"[ \t\r\n]*[+-]?([0-9]+([.][0-9]*)?|[.][0-9]+)([eE][+-]?[0-9]+)?[ \t\r\n]*")


@given(st.text("0123456789.+-eE_ xXaAfFnNiI\t\n,", max_size=12) | st.floats().map(repr) | st.text(max_size=5))
@example("1_0")
@example(" 3.5\r\n")
@example("١")
@example("1e400")
@example("\x0b3")
def test_a_plain_number_is_what_the_grammar_says_and_float_reads(text: str) -> None:
    payload = text.encode()
    result = decode(payload, signal("X", low=-1e308, high=1.0), ARRIVAL)
    if NUMBER.fullmatch(payload) and math.isfinite(float(text)):
        assert isinstance(result, Decoded)
        assert result.value == float(text)
    elif NUMBER.fullmatch(payload):
        assert result.reason is Reason.NOT_FINITE
    else:
        assert isinstance(result, Refused) or math.isnan(result.value)


@given(st.text("0123456789.+-eE_ ,", max_size=10), st.booleans())
def test_cells_follow_the_same_grammar(text: str, comma: bool) -> None:
    plain = text.strip(" \t\r\n")
    if comma and plain.count(",") == 1 and "." not in plain:
        plain = plain.replace(",", ".")
    expected = float(plain) if NUMBER.fullmatch(plain.encode()) and plain == plain.strip() else None
    assert strict_number(text, decimal_comma=comma) == expected


@given(st.floats(0, 10), st.sampled_from(["value", "v"]), st.sampled_from(["time", "timestamp", "ts", "t", None]))
def test_json_objects_with_the_usual_fields_are_read(value: float, field: str, time: str | None) -> None:
    document = {field: value, "unit": "bar"} | ({time: "2025-03-01T07:59:59.25Z"} if time else {})
    expected = ARRIVAL - 750_000_000 if time else None
    assert of(json.dumps(document)) == Decoded(expected, value, GOOD)


@pytest.mark.parametrize(
    "payload",
    [
        "3.25",
        " 3.25\n",
        '"3.25"',
        '{"v": 3.25}',
        '{"value": "3.25"}',
        '{"v":1,"v":3.25}',
        '{"value": 3.25, "time": null}',
        '{"value": 325e-2, "status": "running"}',
    ],
)
def test_a_value_is_found_in_each_usual_shape(payload: str) -> None:
    assert of(payload) == Decoded(None, 3.25, GOOD)


@pytest.mark.parametrize(
    ("time", "ns"),
    [
        ("1740815999.123456789", ARRIVAL - NS + 123_456_789),
        ("1740815999123", ARRIVAL - NS + 123_000_000),
        ('"1740815999123456"', ARRIVAL - NS + 123_456_000),
        ("1740815999123456789", ARRIVAL - NS + 123_456_789),
        ('"2025-03-01T08:59:59.5+01:00"', ARRIVAL - NS // 2),
    ],
)
def test_a_device_time_keeps_every_digit(time: str, ns: int) -> None:
    assert of(f'{{"value": 1, "time": {time}}}') == Decoded(ns, 1.0, GOOD)


@pytest.mark.parametrize(
    "time",
    ['"2025-03-01T08:00:00"', '"soon"', "0", "12", "true", "[1]", '"2025-03-02T08:00:01Z"', '"1970-01-01T00:00:00Z"'],
)
def test_a_time_that_cannot_be_is_refused_whatever_the_value(time: str) -> None:
    assert reason_of(f'{{"value": 1, "time": {time}}}') is Reason.BAD_TIME


def test_a_device_clock_may_be_ahead_by_five_minutes_and_no_more() -> None:
    assert isinstance(of('{"v": 1, "t": "2025-03-01T08:05:00Z"}'), Decoded)
    late = of('{"v": 1, "t": "2025-03-01T08:05:00.001Z"}')
    assert isinstance(late, Refused) and late.time == parse_rfc3339("2025-03-01T08:05:00.001Z")


@pytest.mark.parametrize(
    "payload",
    [
        "NaN",
        "-inf",
        "Infinity",
        "1e999",
        '{"v": NaN}',
        '{"v": -Infinity}',
        '{"v": 1e999}',
        '{"v": "nan"}',
        "1.#QNAN",
        '{"v": ' + "9" * 400 + "}",
    ],
)
def test_what_is_not_finite_is_refused_as_such(payload: str) -> None:
    assert reason_of(payload) is Reason.NOT_FINITE


@pytest.mark.parametrize(
    "payload",
    [
        "",
        " ",
        "abc",
        "0x10",
        "1_0",
        "1,5",
        "{",
        "[1]",
        "[" * 60_000,
        '{"x": 1}',
        '{"v": {}}',
        '{"v": []}',
        '{"v": true}',
        "true",
        '{"v": "1_0"}',
        '{"v": "abc"}',
        b"\xff\xfe\x00",
        "{'v': 1}",
        '{"v": 1} x',
        '{"v": ' + "9" * 5000 + "}",
    ],
)
def test_what_is_no_reading_is_undecodable(payload: bytes | str) -> None:
    assert reason_of(payload) is Reason.UNDECODABLE
    assert isinstance(of(payload), Refused)


@pytest.mark.parametrize(
    "payload",
    ['{"v": null}', '{"v": "Bad"}', '{"v": "I/O Timeout", "q": "Bad"}', "Bad", "No Data", '{"v": "whatever", "q": 0}'],
)
def test_a_source_that_says_there_is_no_value_gives_a_bad_row(payload: str) -> None:
    result = of(payload)
    assert isinstance(result, Decoded)
    assert math.isnan(result.value) and result.quality is BAD and result.reason is Reason.BAD_QUALITY


def test_a_stated_bad_quality_keeps_the_value_and_is_reported() -> None:
    result = of('{"v": 3.5, "q": "Bad"}')
    assert isinstance(result, Decoded)
    assert (result.value, result.quality, result.reason) == (3.5, BAD, Reason.BAD_QUALITY)


@pytest.mark.parametrize(
    ("mark", "quality"),
    [
        ('"Good"', GOOD),
        ('"GOOD, non-specific"', GOOD),
        ("192", GOOD),
        ('"192"', GOOD),
        ("true", GOOD),
        ("1", GOOD),
        ("null", GOOD),
        ("192.0", GOOD),
        ('"Uncertain"', UNCERTAIN),
        ("64", UNCERTAIN),
        ("68", UNCERTAIN),
        ('"UncertainLastUsableValue"', UNCERTAIN),
        ('"never heard of"', UNCERTAIN),
        ("1.5", UNCERTAIN),
        ("1073741824", UNCERTAIN),
        ("0", BAD),
        ("24", BAD),
        ("false", BAD),
        ('"Bad_CommunicationError"', BAD),
        ("2147483648", BAD),
        ('"I/O Timeout"', BAD),
    ],
)
def test_quality_marks_mean_what_opc_and_historians_mean(mark: str, quality: Quality) -> None:
    # OPC DA: 192 good, 64 uncertain, 0 bad (bits 7 and 6); OPC UA: severity in the top two bits. From memory.
    result = of(f'{{"value": 3.0, "quality": {mark}}}')
    assert isinstance(result, Decoded) and result.quality is quality


def test_a_status_that_is_no_quality_word_is_the_state_of_something_else() -> None:
    assert of('{"v": 3.0, "status": "pumping"}') == Decoded(None, 3.0, GOOD)
    chosen = configured(format=PayloadFormat.JSON, quality_field="status")
    assert of('{"v": 3.0, "status": "pumping"}', chosen) == Decoded(None, 3.0, UNCERTAIN)


@given(st.none() | st.booleans() | st.floats() | st.integers() | st.text() | st.lists(st.integers()))
def test_any_mark_has_a_quality_or_none(mark: object) -> None:
    assert quality_of(mark) in (None, GOOD, UNCERTAIN, BAD)


@pytest.mark.parametrize(
    ("payload", "value"),
    [
        ("true", 1.0),
        ("false", 0.0),
        ('{"v": true}', 1.0),
        ("0", 0.0),
        ("1", 1.0),
        ('{"v": "ON"}', 1.0),
        ("off", 0.0),
        ("255", 255.0),
    ],
)
def test_a_contact_is_one_or_zero_and_has_no_failure_limits(payload: str, value: float) -> None:
    assert of(payload, LEAK) == Decoded(None, value, GOOD)


@pytest.mark.parametrize(
    ("current", "value", "quality"),
    [
        ("4", 0.0, GOOD),
        ("8", 2.5, GOOD),
        ("12", 5.0, GOOD),
        ("16", 7.5, GOOD),
        ("20", 10.0, GOOD),
        ("4.8", 0.5, GOOD),
        ("7.2", 2.0, GOOD),
        ("3.8", -0.125, GOOD),
        ("20.5", 10.3125, GOOD),
        ("3.7", -0.1875, UNCERTAIN),
        ("20.8", 10.5, UNCERTAIN),
        ("3.6", -0.25, BAD),
        ("21", 10.625, BAD),
        ("0", -2.5, BAD),
    ],
)
def test_a_loop_current_becomes_the_value_over_the_span(current: str, value: float, quality: Quality) -> None:
    # Percent of span = (mA - 4) / 16 * 100; limits of NAMUR NE 43.
    result = of(current, configured(format=PayloadFormat.MILLIAMP))
    assert isinstance(result, Decoded)
    assert result.value == pytest.approx(value, abs=1e-12) and result.quality is quality
    assert result.reason is (Reason.OUT_OF_RANGE if quality is BAD else None)


@pytest.mark.parametrize(
    ("payload", "quality"),
    [("-0.25", BAD), ("10.625", BAD), ("-0.2", UNCERTAIN), ("10.5", UNCERTAIN), ("-0.125", GOOD), ("10.3125", GOOD)],
)
def test_values_are_graded_as_ne43_puts_it(payload: str, quality: Quality) -> None:
    result = of(payload)
    assert isinstance(result, Decoded)
    assert result.value == float(payload) and result.quality is quality


def test_nested_fields_are_found_by_dotted_paths() -> None:
    nested = configured(
        format=PayloadFormat.JSON,
        value_field="data.0.p",
        time_field="meta.at",
        quality_field="meta.ok",
        time_format=TimeFormat.EPOCH_MS,
    )
    text = '{"data": [{"p": 3.5}], "meta": {"at": 1740816000000, "ok": true}}'
    assert of(text, nested) == Decoded(ARRIVAL, 3.5, GOOD)
    assert reason_of('{"data": {"p": 3.5}}', nested) is Reason.UNDECODABLE
    assert of('{"a.b": 2}', configured(value_field="a.b")) == Decoded(None, 2.0, GOOD)


def test_a_configured_format_refuses_the_others() -> None:
    assert reason_of('{"v": 1}', configured(format=PayloadFormat.NUMBER)) is Reason.UNDECODABLE
    assert reason_of("NaN", configured(format=PayloadFormat.NUMBER)) is Reason.NOT_FINITE
    assert reason_of("3 bar", configured(format=PayloadFormat.JSON)) is Reason.UNDECODABLE
    assert of("3", configured(format=PayloadFormat.JSON)) == Decoded(None, 3.0, GOOD)
    assert reason_of('{"v": 12}', configured(format=PayloadFormat.MILLIAMP)) is Reason.UNDECODABLE


def test_a_message_longer_than_any_reading_is_too_large() -> None:
    assert reason_of(b"1" + b" " * MAX_PAYLOAD) is Reason.TOO_LARGE
    assert of(b"1" + b" " * (MAX_PAYLOAD - 1)) == Decoded(None, 1.0, GOOD)


@given(
    st.binary(max_size=60)
    | st.recursive(
        st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
        lambda inner: (
            st.dictionaries(st.sampled_from(["v", "value", "t", "time", "q", "status", "x"]), inner, max_size=4)
            | st.lists(inner, max_size=2)
        ),
    ).map(lambda document: json.dumps(document).encode())
)
def test_no_message_raises_and_every_reading_is_sound(payload: bytes) -> None:
    for subject in (PT, LEAK, configured(format=PayloadFormat.JSON, value_field="v.x", quality_field="q.x")):
        result = Decoder(subject).decode(payload, ARRIVAL)
        if isinstance(result, Decoded):
            assert math.isfinite(result.value) or result.quality is BAD
            assert (result.quality is BAD) == (result.reason is not None)
