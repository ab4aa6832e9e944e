"""Files that cannot be used, or only in part: a sentence that names the file, what was found and what to do."""

from __future__ import annotations

import gzip
import random
from pathlib import Path

import pytest

from monitor.errors import InputError
from monitor.ingest.recording import open_recordings
from tests.ingest.helpers import read, skid, table, write

GOOD = b"time,PT-101\n1740816000,3\n"


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "empty file"),
        (b"\n\n\n", "blank lines"),
        (b"a,b\n1,2\n", "no column time; found a, b"),
        (b"time,a,b\n1,2,3\n", "no column is a configured signal; found time, a, b; accepted: PT-101"),
        (b"time,PT-101,PT-101\n1,2,3\n", "more than one column is PT-101"),
        (b"time,TIME,PT-101\n1,2,3\n", "more than one column is time"),
        (b'[{"time": 1}]', "JSON array"),
        (b"PK\x03\x04junk", "spreadsheet"),
        (b"SQLite format 3\x00", "SQLite"),
        (b"ARROW1\x00\x00", "Arrow"),
        (b"\x00\x01\x02\x03" * 100, "binary"),
        (b"PAR1junk", "Parquet"),
        (b"x" * (10 << 20), "header of more than"),
        (gzip.compress(b"PAR1junk", mtime=0), "unpack it"),
        (gzip.compress(GOOD, mtime=0)[:12], "compressed file ends early"),
        (b"\x1f\x8b" + b"junk" * 10, "damaged"),
        (gzip.compress(b"", mtime=0), "empty file"),
        (b"time,PT-101\n2025-03-01T08:00:00,3\n", "--timezone"),
    ],
)
def test_an_unusable_file_is_named_with_what_was_found(tmp_path: Path, data: bytes, words: str) -> None:
    path = write(tmp_path / "a.csv", data)
    with pytest.raises(InputError) as caught:
        read(path)
    assert str(path) in str(caught.value) and words in str(caught.value)
    assert caught.value.exit_code == 2
    assert len(str(caught.value)) < 2000


def test_missing_files_and_directories_are_input_errors(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read(tmp_path / "missing.csv")
    with pytest.raises(InputError, match="a folder; accepted: a recording"):
        read(tmp_path)
    with pytest.raises(InputError, match="no recording"):
        read([])


@pytest.mark.parametrize("seed", range(20))
def test_binary_junk_is_never_a_traceback(tmp_path: Path, seed: int) -> None:
    path = write(tmp_path / "a.csv", random.Random(seed).randbytes(3000))
    with pytest.raises(InputError):
        read(path)


@pytest.mark.parametrize("seed", range(10))
def test_junk_after_a_sound_header_costs_lines_and_never_a_traceback(tmp_path: Path, seed: int) -> None:
    path = write(tmp_path / "a.csv", GOOD + random.Random(seed).randbytes(3000) + b"\n1740816009,4\n")
    found = read(path)
    assert found.rows.value.tolist()[0] == 3.0 and found.rows.value.tolist()[-1] == 4.0
    assert found.rejections


def test_a_map_to_no_signal_is_refused_by_name(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", GOOD)
    with pytest.raises(InputError, match="--map x=PT-999: no such signal; accepted: time, or one of"):
        read(path, mapping={"x": "PT-999"})
    with pytest.raises(InputError, match="more than one column is PT-101: PT-101 and x"):
        read(write(tmp_path / "b.csv", "time,PT-101,x\n1,2,3\n"), mapping={"x": "PT-101"})


def test_nested_and_foreign_parquet_columns_are_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="PT-101 is nested"):
        read(table(tmp_path / "a.parquet", {"time": [1740816000], "PT-101": [[1.0]]}))
    with pytest.raises(InputError, match="column time is"):
        read(table(tmp_path / "b.parquet", {"time": [True], "PT-101": [1.0]}))
    with pytest.raises(InputError, match="no column is a configured signal"):
        read(table(tmp_path / "c.parquet", {"time": [1740816000], "x": [1.0]}))
    found = read(table(tmp_path / "d.parquet", {"time": [1740816000], "PT-101": [1.0], "remark": [{"a": 1}]}))
    assert found.rows.size == 1


def test_parquet_that_is_cut_short_is_an_input_error(tmp_path: Path) -> None:
    whole = table(tmp_path / "a.parquet", {"time": [1740816000], "PT-101": [1.0]}).read_bytes()
    with pytest.raises(InputError, match="not a readable Parquet file"):
        read(write(tmp_path / "b.parquet", whole[:-20]))


def test_gzip_that_is_cut_short_gives_the_lines_before_the_cut_and_says_so(tmp_path: Path) -> None:
    noise = random.Random(1)
    lines = [f"{1740816000 + i},{noise.uniform(1, 9):.6f}\n" for i in range(50_000)]
    packed = gzip.compress(b"time,PT-101\n" + "".join(lines).encode())
    found = read(write(tmp_path / "a.csv.gz", packed[: len(packed) // 2]))
    assert 20_000 < found.rows.size < 30_000
    assert found.rows.value.tolist() == [float(line.split(",")[1]) for line in lines[: found.rows.size]]
    assert found.rejections == []
    warning = found.recordings.warnings[-1]
    assert "ends early" in warning and f"{found.rows.size:,}" in warning
    broken = packed[: len(packed) // 2] + b"\0" * 1000 + packed[len(packed) // 2 + 1000 :]
    found = read(write(tmp_path / "b.csv.gz", broken))
    assert found.rows.size > 20_000 and "damaged" in found.recordings.warnings[-1]
    wrong_sum = packed[:-8] + b"\0" * 8
    found = read(write(tmp_path / "c.csv.gz", wrong_sum))
    assert found.rows.size == 50_000 and "damaged" in found.recordings.warnings[-1]


def test_a_header_alone_has_no_readings_and_is_no_error(tmp_path: Path) -> None:
    recordings = open_recordings([write(tmp_path / "a.csv", "time,PT-101\n")], skid())
    assert list(recordings) == []


def test_nothing_but_unusable_lines_gives_only_rejections(tmp_path: Path) -> None:
    found = read(write(tmp_path / "a.csv", "time,PT-101\nx,1\ny,2\n"))
    assert found.rows.size == 0 and len(found.rejections) == 2
