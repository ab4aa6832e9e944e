"""Times as text and numbers, against RFC 3339 section 5.8, the standard library, pandas and NumPy."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from monitor.errors import InputError
from monitor.model import NS
from monitor.skid import TimeFormat
from monitor.times import (
    EARLIEST,
    LATEST,
    LocalClock,
    parse_epoch,
    parse_rfc3339,
    parse_time,
    to_rfc3339,
    zone_named,
)

FIRST, LAST = (datetime.fromisoformat(day) for day in ("0001-01-02", "9999-12-30"))
BERLIN = ZoneInfo("Europe/Berlin")

# RFC 3339 section 5.8; the seconds by the proleptic calendar. The first is quoted, the others from memory.
EXAMPLES = [
    ("1985-04-12T23:20:50.52Z", 482_196_050_520_000_000),
    ("1996-12-19T16:39:57-08:00", 851_042_397_000_000_000),
    ("1996-12-20T00:39:57Z", 851_042_397_000_000_000),
    ("1937-01-01T12:00:27.87+00:20", -1_041_337_172_130_000_000),
    ("1990-12-31T23:59:60Z", 662_688_000_000_000_000),
    ("1990-12-31T15:59:60-08:00", 662_688_000_000_000_000),
]


@pytest.mark.parametrize(("text", "ns"), EXAMPLES)
def test_the_examples_of_rfc_3339_are_read(text: str, ns: int) -> None:
    assert parse_rfc3339(text) == ns


@pytest.mark.parametrize(
    ("text", "ns"),
    [
        ("2016-06-13T17:43:50.100400200Z", 1_465_839_830_100_400_200),  # line protocol reference page
        ("2019-05-02 16:12:41.098z", 1_556_813_561_098_000_000),
        ("2019-05-02t16:12:41.098-00:00", 1_556_813_561_098_000_000),
        ("2019-05-02T16:12:41.0980000009Z", 1_556_813_561_098_000_000),
        ("2024-02-29T00:00:00+23:59", 1_709_078_460_000_000_000),
    ],
)
def test_other_spellings_of_rfc_3339_are_read(text: str, ns: int) -> None:
    assert parse_rfc3339(text) == ns


@pytest.mark.parametrize(
    "text",
    [
        "",
        "2025-03-01",
        "2025-03-01T08:00Z",
        "2025-03-01T08:00:00",
        "2025-3-1T08:00:00Z",
        "2025-03-01T08:00:00.Z",
        "2025-02-30T08:00:00Z",
        "2025-03-01T24:00:00Z",
        "2025-03-01T08:60:00Z",
        "2025-03-01T08:00:61Z",
        "2025-03-01T08:00:00+0100",
        "2025-03-01T08:00:00+24:00",
        "2025-03-01T08:00:00+01:60",
        "2025-03-01T08:00:00 Z",
        "2025-03-01T08:00:60Z",
        "2025-03-01T23:59:60Z",
        "1990-12-31T23:59:60",
        "٢٠٢٥-03-01T08:00:00Z",
        "2025-03-01T08:00:00,5Z",
        "+2025-03-01T08:00:00Z",
        "2025-03-01T08:00:00Zjunk",
        "0000-01-01T00:00:00Z",
    ],
)
def test_what_is_not_rfc_3339_is_refused_with_a_clause(text: str) -> None:
    assert isinstance(parse_rfc3339(text), str)


def test_a_local_time_is_refused_by_name() -> None:
    assert "without offset" in str(parse_time("2025-03-01T08:00:00"))


@given(
    st.datetimes(
        FIRST, LAST, timezones=st.integers(-1439, 1439).map(lambda minutes: timezone(timedelta(minutes=minutes)))
    ),
    st.integers(0, 999),
)
def test_it_reads_what_the_standard_library_writes(when: datetime, nanos: int) -> None:
    text = when.isoformat(timespec="microseconds")
    text = text[:26] + f"{nanos:03d}" + text[26:]
    delta = when - datetime(1970, 1, 1, tzinfo=UTC)
    assert parse_rfc3339(text) == (delta // timedelta(microseconds=1)) * 1_000 + nanos


@given(st.text("0123456789-:.TtZz+ ", max_size=30) | st.from_regex(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(\.\d+)?Z"))
def test_it_accepts_nothing_that_the_grammar_does_not(text: str) -> None:
    if not isinstance(parse_rfc3339(text), str):
        assert re.fullmatch(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(\.\d+)?([Zz]|[+-]\d\d:\d\d)", text, re.ASCII)


@given(st.integers(-62_000_000_000, 253_000_000_000), st.integers(0, 999_999_999))
def test_writing_and_reading_gives_the_same_nanosecond(seconds: int, nanos: int) -> None:
    ns = seconds * NS + nanos
    assert parse_rfc3339(to_rfc3339(ns)) == ns


@pytest.mark.parametrize(
    ("ns", "text"),
    [
        (0, "1970-01-01T00:00:00.000Z"),
        (1_500_000, "1970-01-01T00:00:00.001500Z"),
        (1_556_813_561_098_000_000, "2019-05-02T16:12:41.098Z"),
        (1_465_839_830_100_400_200, "2016-06-13T17:43:50.100400200Z"),
        (-1_041_337_172_130_000_000, "1937-01-01T11:40:27.870Z"),
    ],
)
def test_times_are_written_to_the_ms_or_finer_where_needed(ns: int, text: str) -> None:
    assert to_rfc3339(ns) == text


@given(st.integers(EARLIEST, LATEST - 1))
def test_an_epoch_number_is_told_by_its_size_in_every_unit(ns: int) -> None:
    assert parse_epoch(ns) == ns
    assert parse_epoch(ns // 1_000) == ns // 1_000 * 1_000 or ns // 1_000 * 1_000 < EARLIEST
    for scale in (1_000, 1_000_000, NS):
        whole, rest = divmod(ns, scale)
        text = f"{whole}.{rest:0{len(str(scale)) - 1}d}"
        assert parse_time(text) == ns
        assert parse_epoch(Decimal(text)) == ns


def test_a_stated_unit_is_taken_at_its_word() -> None:
    assert parse_time(1_740_816_000, TimeFormat.EPOCH_S) == 1_740_816_000 * NS
    assert "before 1971" in str(parse_time(1_740_816_000, TimeFormat.EPOCH_MS))
    assert "2200" in str(parse_time(1_740_816_000_000, TimeFormat.EPOCH_S))
    assert parse_time("2025-03-01T08:00:00Z", TimeFormat.RFC3339) == 1_740_816_000 * NS
    assert isinstance(parse_time(1_740_816_000, TimeFormat.RFC3339), str)
    assert isinstance(parse_time("2025-03-01T08:00:00Z", TimeFormat.EPOCH_S), str)


def test_a_float_of_seconds_keeps_the_digits_it_was_written_with() -> None:
    assert parse_epoch(1_755_925_242.268) == 1_755_925_242_268_000_000
    assert parse_time("1755925242.123456789") == 1_755_925_242_123_456_789
    assert parse_time("1.755925242268e9") == 1_755_925_242_268_000_000


@pytest.mark.parametrize(
    "value",
    [
        0,
        -1,
        12,
        2025,
        31_535_999,
        7_258_118_400,
        10**30,
        10**400,
        float("nan"),
        float("inf"),
        True,
        None,
        [1],
        "12",
        "1e400",
        "1_740_816_000",
        "0x67C2B880",
        "nan",
        "1970-12-31T23:59:59Z",
        "2200-01-01T00:00:00Z",
        "9999-01-01T00:00:00Z",
    ],
)
def test_times_of_a_clock_that_was_never_set_are_refused(value: object) -> None:
    assert isinstance(parse_time(value), str)


def _settle(zone: ZoneInfo, texts: list[str]) -> list[str | None]:
    ns = np.array(texts, "datetime64[ns]").astype(np.int64)
    yes = np.ones(ns.size, bool)
    missing = LocalClock(zone).settle(ns, yes, yes)
    return [None if gone else to_rfc3339(t)[11:19] for gone, t in zip(missing, ns.tolist(), strict=True)]


def test_the_hour_that_comes_twice_is_settled_by_the_order_of_rows() -> None:
    # 26 October 2025, 03:00 CEST = 01:00 UTC: clocks go back to 02:00 CET.
    day = "2025-10-26T"
    local = [day + t for t in ("01:59:00", "02:20:00", "02:59:00", "02:01:00", "02:50:00", "03:00:00")]
    assert _settle(BERLIN, local) == ["23:59:00", "00:20:00", "00:59:00", "01:01:00", "01:50:00", "02:00:00"]


def test_a_gap_across_the_change_of_clocks_is_settled_too() -> None:
    local = ["2025-10-26T02:30:00", "2025-10-26T02:20:00", "2025-10-26T02:40:00"]
    assert _settle(BERLIN, local) == ["00:30:00", "01:20:00", "01:40:00"]


def test_a_row_that_is_a_little_late_stays_in_its_own_hour() -> None:
    day = "2025-10-26T"
    local = [day + t for t in ("02:30:00", "02:25:30", "02:31:00", "02:59:59", "02:00:00", "02:59:58", "02:00:01")]
    expected = ["00:30:00", "00:25:30", "00:31:00", "00:59:59", "01:00:00", "00:59:58", "01:00:01"]
    assert _settle(BERLIN, local) == expected


def test_a_time_that_the_clock_skips_does_not_exist() -> None:
    # 30 March 2025: 02:00 CET becomes 03:00 CEST.
    local = ["2025-03-30T01:59:59", "2025-03-30T02:00:00", "2025-03-30T02:59:59", "2025-03-30T03:00:00"]
    assert _settle(BERLIN, local) == ["00:59:59", None, None, "01:00:00"]


def test_the_order_of_rows_is_remembered_from_piece_to_piece() -> None:
    clock = LocalClock(BERLIN)
    found = []
    for text in ("2025-10-26T02:59:59", "2025-10-26T02:00:00", "2025-10-26T02:30:00"):
        ns = np.array([text], "datetime64[ns]").astype(np.int64)
        clock.settle(ns, np.ones(1, bool), np.ones(1, bool))
        found.append(to_rfc3339(int(ns[0]))[11:19])
    assert found == ["00:59:59", "01:00:00", "01:30:00"]


ZONES = [
    "Europe/Berlin",
    "America/St_Johns",
    "Australia/Lord_Howe",
    "Asia/Kathmandu",
    "Pacific/Apia",
    "Africa/Casablanca",
    "America/Caracas",
    "UTC",
]


@pytest.mark.parametrize("name", ZONES)
@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_local_times_in_order_agree_with_pandas(name: str, data: st.DataObject) -> None:
    start = data.draw(st.integers(EARLIEST // NS + 90_000, 4_000_000_000))
    steps = data.draw(st.lists(st.integers(60, 1400), min_size=2, max_size=100))
    utc = pd.DatetimeIndex(pd.to_datetime(start + np.cumsum([0, *steps]), unit="s", utc=True)).as_unit("ns")
    local = utc.tz_convert(name).tz_localize(None)
    assume(not _ambiguous(local[:1], name))
    ns = local.asi8.copy()
    missing = LocalClock(ZoneInfo(name)).settle(ns, np.ones(ns.size, bool), np.ones(ns.size, bool))
    assert not missing.any()
    assert (ns == utc.asi8).all()


def _ambiguous(local: pd.DatetimeIndex, name: str) -> bool:
    return bool(local.tz_localize(name, ambiguous="NaT").isna().any())


@pytest.mark.parametrize("name", ["Mars/Olympus", "", "../etc/passwd", "Europe/"])
def test_an_unknown_zone_is_an_input_error(name: str) -> None:
    with pytest.raises(InputError, match="--timezone"):
        zone_named(name)
