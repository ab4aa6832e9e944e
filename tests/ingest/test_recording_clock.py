"""Time columns: the vectorised reader against the scalar rules, and time zones."""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import InputError
from monitor.ingest.recording.clock import Clock
from monitor.model import NS
from monitor.times import parse_time, to_rfc3339
from tests.ingest.helpers import read, table, write

T0 = 1_740_816_000 * NS

CELLS = st.sampled_from(
    [
        "2025-03-01T08:00:00Z",
        "2025-03-01T08:00:00.5Z",
        "2025-03-01 08:00:00.123456789Z",
        "2025-03-01T08:00:00.1234567891Z",
        "2025-03-01t08:00:00z",
        "2025-03-01T08:00:00+01:00",
        "2025-03-01T08:00:00+0100",
        "2025-03-01T08:00Z",
        "2025-03-01",
        "2025-02-30T08:00:00Z",
        "2025-03-01T24:00:00Z",
        "2025-03-01T08:00:00-00:00",
        "1990-12-31T23:59:60Z",
        "2025-03-01T23:59:60Z",
        "1960-01-01T00:00:00Z",
        "2300-01-01T00:00:00Z",
        "1740816000",
        "1740816000.25",
        "1740816000.1234567891",
        "1740816000123",
        "1740816000123.5",
        "1740816000123456",
        "1740816000123456789",
        "+1740816000",
        "1.740816e9",
        "12",
        "0",
        "",
        " ",
        "nan",
        "1e999",
        " 1740816000 ",
        " 2025-03-01T08:00:00Z",
        "0x67C2B880",
        "1_740_816_000",
        "2025-03-01T08:00:00",
        "2025-03-01T08:00:00.Z",
        "Bad",
        "99999999999999999999",
        "2025-03-01T08:00:00+24:00",
        "-1740816000",
        "٢٠٢٥-03-01T08:00:00Z",
        "2025-03-01X08:00:00Z",
    ]
)


def _expected(cell: str | None) -> int | None:
    ns = parse_time(cell) if cell is not None else ""
    return None if isinstance(ns, str) else ns


@settings(max_examples=150, deadline=None)
@given(st.lists(CELLS | st.none(), max_size=12), st.integers(1, 12), st.integers(0, 3))
def test_a_column_is_read_as_its_cells_one_by_one(cells: list[str | None], repeat: int, skip: int) -> None:
    column = pa.array(cells * repeat, pa.string()).slice(skip)
    times = Clock(None).read(column)
    found = [ns if usable else None for ns, usable in zip(times.ns.tolist(), times.usable.tolist(), strict=True)]
    assert found == [_expected(cell) for cell in column.to_pylist()]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(T0, T0 + 10**17), min_size=40, max_size=60),
    st.sampled_from(["zulu", "offset", "s", "ms", "us", "ns"]),
)
def test_every_nanosecond_survives_the_fast_way(times: list[int], form: str) -> None:
    scale = {"s": NS, "ms": 1_000_000, "us": 1_000, "ns": 1}.get(form)
    digits = {NS: 9, 1_000_000: 6, 1_000: 3, 1: 0}
    if scale:
        texts = [f"{t // scale}.{t % scale:0{digits[scale]}d}".rstrip(".") if scale > 1 else str(t) for t in times]
    else:
        texts = [to_rfc3339(t) if form == "zulu" else to_rfc3339(t + 7200 * NS)[:-1] + "+02:00" for t in times]
    assert Clock(None).read(pa.array(texts)).ns.tolist() == times


def test_clauses_say_why_a_cell_gave_no_time() -> None:
    clock = Clock(None)
    assert clock.explain(None) == clock.explain("  ") == "no time"
    assert "--timezone" in clock.explain("2025-03-01T08:00:00")
    assert "1971" in clock.explain("1960-01-01T00:00:00Z") and "2200" in clock.explain("2300-01-01T00:00:00Z")
    assert "RFC 3339" in clock.explain("soon")
    assert "skips" in Clock(ZoneInfo("Europe/Berlin")).explain("2025-03-30T02:30:00")


def test_local_times_are_refused_without_a_zone_and_read_with_one(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", "time,PT-101\n2025-08-16 07:36:35.445,4\n2025-01-16 07:36:35.445,5\n")
    with pytest.raises(InputError, match="--timezone"):
        read(path)
    expected = (
        pd.DatetimeIndex(["2025-08-16 07:36:35.445", "2025-01-16 07:36:35.445"], tz="Europe/Berlin").as_unit("ns").asi8
    )
    assert read(path, timezone="Europe/Berlin").rows.time.tolist() == expected.tolist()
    with pytest.raises(InputError, match="no such time zone"):
        read(path, timezone="Hatchery/North")


def test_a_zone_leaves_times_with_an_offset_alone(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", "time,PT-101\n2025-08-16T07:00:00Z,4\n2025-08-16 10:00:00,5\n1755331200,6\n")
    assert [to_rfc3339(t)[11:16] for t in read(path, timezone="Europe/Berlin").rows.time] == ["07:00", "08:00", "08:00"]
    found = read(path)
    assert found.rows.value.tolist() == [4.0, 6.0]
    assert found.refused == [("a.csv:3", "bad-time", None)]


def test_parquet_times_without_a_zone_are_local_times(tmp_path: Path) -> None:
    naive = np.array(["2025-08-16T07:00:00"], "datetime64[us]")
    path = table(tmp_path / "a.parquet", {"time": naive, "PT-101": [1.0]})
    with pytest.raises(InputError, match="--timezone"):
        read(path)
    assert to_rfc3339(read(path, timezone="Europe/Berlin").rows.time[0]) == "2025-08-16T05:00:00.000Z"


@pytest.mark.parametrize("rows_apart", [1, 7, 60])
def test_a_night_of_two_two_o_clocks_reads_in_order_whatever_the_chunks(tmp_path: Path, rows_apart: int) -> None:
    utc = pd.date_range("2025-10-25T22:00:00", "2025-10-26T04:00:00", freq=f"{rows_apart}s", tz="UTC").as_unit("ns")
    local = utc.tz_convert("Europe/Berlin").strftime("%Y-%m-%d %H:%M:%S")
    path = write(tmp_path / "a.csv", "time,PT-101\n" + "".join(f"{t},3\n" for t in local))
    for chunk_rows in (97, 500_000):
        found = read(path, timezone="Europe/Berlin", chunk_rows=chunk_rows)
        assert (found.rows.time == utc.asi8).all()


def test_the_skipped_hour_is_bad_time(tmp_path: Path) -> None:
    path = write(
        tmp_path / "a.csv", "time,PT-101\n2025-03-30 01:59:59,1\n2025-03-30 02:30:00,2\n2025-03-30 03:00:00,3\n"
    )
    found = read(path, timezone="Europe/Berlin")
    assert found.rows.value.tolist() == [1.0, 3.0]
    assert "skips" in found.rejections[0].note
