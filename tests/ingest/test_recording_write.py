"""write_wide against open_recordings and pandas."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import RunError
from monitor.ingest.recording import write_wide
from monitor.model import NS, Quality, Rows
from tests.ingest.helpers import read, same_rows, skid

T0 = 1_740_816_000 * NS
BAD = int(Quality.BAD)


def rows_of(readings: list[tuple[int, int, float]]) -> Rows:
    time, signal, value = zip(*readings, strict=True) if readings else ((), (), ())
    quality = [BAD if v != v else 0 for v in value]
    return Rows(
        np.array(time, np.int64), np.array(signal, np.int16), np.array(value, float), np.array(quality, np.uint8)
    )


READING = st.tuples(st.integers(0, 5), st.integers(0, 3), st.floats(0, 10) | st.just(float("nan")))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(READING, max_size=25), st.sampled_from(["a.csv", "a.csv.gz", "a.parquet"]), st.sampled_from([1, 1_000, NS])
)
def test_what_is_written_is_read_back_row_by_row(
    tmp_path_factory: pytest.TempPathFactory, readings: list[tuple[int, int, float]], name: str, step: int
) -> None:
    path = tmp_path_factory.mktemp("write") / name
    rows = rows_of([(T0 + t * step, s, v) for t, s, v in readings])
    write_wide(path, skid(), rows)
    found = read(path).rows
    assert same_rows(found, rows)
    first = path.read_bytes()
    write_wide(path, skid(), rows)
    assert path.read_bytes() == first


def test_pandas_reads_what_is_written(tmp_path: Path) -> None:
    rows = rows_of([(T0, 0, 3.5), (T0, 1, 2.5), (T0 + NS, 0, 0.3125), (T0 + 2 * NS, 1, 7.0)])
    write_wide(tmp_path / "a.csv", skid(), rows)
    frame = pd.read_csv(tmp_path / "a.csv")
    assert list(frame.columns) == ["time", "PT-101", "PT-102", "FT-101", "TT-101", "LS-1"]
    assert frame["time"].tolist() == [
        "2025-03-01T08:00:00.000Z",
        "2025-03-01T08:00:01.000Z",
        "2025-03-01T08:00:02.000Z",
    ]
    assert frame["PT-101"].tolist()[:2] == [3.5, 0.3125]
    write_wide(tmp_path / "a.parquet", skid(), rows)
    assert pd.read_parquet(tmp_path / "a.parquet")["PT-102"].dropna().tolist() == [2.5, 7.0]


def test_failed_loops_keep_their_value(tmp_path: Path) -> None:
    rows = Rows(
        np.array([T0, T0 + NS]), np.array([0, 0], np.int16), np.array([-0.5, 3.0]), np.array([BAD, 0], np.uint8)
    )
    write_wide(tmp_path / "a.csv", skid(), rows)
    assert read(tmp_path / "a.csv").readings == [(T0, 0, -0.5, BAD), (T0 + NS, 0, 3.0, 0)]


def test_a_place_that_cannot_be_written_is_a_run_error(tmp_path: Path) -> None:
    with pytest.raises(RunError, match="cannot be written"):
        write_wide(tmp_path / "missing" / "a.csv", skid(), rows_of([(T0, 0, 1.0)]))
