"""`bagwright replay` typed with what cannot be used, or not all of it: the exit code and the sentence."""

from __future__ import annotations

import csv
import gzip
import os
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest
from commands.helpers import HEADER, Done, assert_for_people, bagwright, minutes, skid, small_disk, unwritable

pytestmark = pytest.mark.timeout(300)    # the first command of a fresh checkout compiles the engine


def replay(folder: Path, recording: str, *options: str, out: str = "out", **how: object) -> Done:
    done = bagwright("replay", recording, "--config", skid(folder), "--out", out, *options, cwd=folder, **how)
    assert_for_people(done)
    return done


def reasons(folder: Path) -> Counter[str]:
    with (folder / "out/quarantine.csv").open(encoding="utf-8", newline="") as file:
        return Counter(row["reason"] for row in csv.DictReader(file))


def nested(path: Path) -> None:
    import pyarrow as pa
    from pyarrow import parquet

    parquet.write_table(pa.table({"time": ["2025-03-01T08:00:00Z"], "PT-101": [{"bar": 3.0}]}), path)


def text(content: str) -> Callable[[Path], object]:
    return lambda path: path.write_text(content, encoding="utf-8")


LOCAL = "time,PT-101,PT-102\n2025-03-01 08:00:00,3,2\n2025-03-01 08:00:01,3,2\n"
# name of the file, what is in it, more options, what the sentence says
UNUSABLE = [
    ("empty.csv", text(""), [], ["empty.csv", "an empty file", "accepted: CSV"]),
    ("blank.csv", text("\n\n"), [], ["blank.csv", "blank lines", "accepted: CSV"]),
    ("timeless.csv", text("when,PT-101\n1,3\n"), [],
     ["timeless.csv", "no column time", "found when, PT-101", "--map COLUMN=time"]),
    ("foreign.csv", text("time,A,B\n2025-03-01T08:00:00Z,1,2\n"), [],
     ["foreign.csv", "found time, A, B", "accepted: PT-101, PT-102, FT-101", "--map COLUMN=SIGNAL"]),
    ("local.csv", text(LOCAL), [], ["local.csv", "without offset", "--timezone Europe/"]),
    ("local.csv", text(LOCAL), ["--timezone", "Mars/Olympus"],
     ["--timezone Mars/Olympus", "no such time zone", "Europe/"]),
    ("local.csv", text(LOCAL), ["--timezone", ""], ["--timezone", "no such time zone"]),
    ("a.csv", text(HEADER + minutes(1)), ["--map", "PT-101"], ["--map: found PT-101", "COLUMN=SIGNAL"]),
    ("a.csv", text(HEADER + minutes(1)), ["--map", "A=PT-999"], ["--map A=PT-999", "no such signal", "PT-101"]),
    ("a.csv", text(HEADER + minutes(1)), ["--map", "A=PT-101", "--map", "A=PT-102"], ["--map: found A twice"]),
    ("a.csv", text(HEADER + minutes(1)), ["--skid", "intake-2"], ["--skid intake-2", "accepted: intake-1"]),
    ("endless.csv", lambda path: path.write_bytes(b"x" * 10_000_000), [], ["endless.csv:1", "more than 1048576 bytes"]),
    ("nested.parquet", nested, [], ["nested.parquet", "column PT-101 is nested", "accepted: plain columns"]),
    ("torn.csv.gz", lambda path: path.write_bytes(gzip.compress(b"time,PT-101\n" * 9)[:12]), [],
     ["torn.csv.gz", "ends early before its first line"]),
    ("words.csv", text(HEADER + "yesterday,3,2,40\n2025-03-01T08:00:00Z,NaN,I/O Timeout,\n"), [],
     ["words.csv", "not one usable row", "1 bad-time", "1 not-finite", "1 bad-quality", "accepted: rows with a time"]),
    ("header.csv", text(HEADER), [], ["header.csv", "not one usable row", "no rows"]),
    ("missing.csv", lambda path: None, [], ["missing.csv", "no such file"]),
    ("folder", Path.mkdir, [], ["folder: a folder", "accepted: a recording"]),
]  # fmt: skip


@pytest.mark.parametrize(("name", "make", "options", "words"), UNUSABLE)
def test_what_cannot_be_replayed_ends_with_2_and_a_sentence(
    tmp_path: Path, name: str, make: Callable[[Path], object], options: list[str], words: list[str]
) -> None:
    make(tmp_path / name)
    done = replay(tmp_path, name, *options)
    assert done.code == 2 and done.out == ""
    assert done.err.count("\n") == 1 and [word for word in words if word not in done.err] == [], done.err
    assert not (tmp_path / "out/events.jsonl").exists()


def test_some_unknown_columns_are_named_and_the_rest_is_replayed(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("time,PT-101,Tag 9,PT-102,Remark\n2025-03-01T08:00:00Z,3,7,2,x\n")
    done = replay(tmp_path, "a.csv")
    assert done.code == 0
    assert "warning: a.csv: not used, since no configured signal has that name: Tag 9, Remark\n" in done.err
    assert "2 used" in done.out


def test_a_mapped_name_that_no_file_has_is_told(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(HEADER + minutes(1))
    done = replay(tmp_path, "a.csv", "--map", "Tag 12=PT-101")
    assert done.code == 0 and "warning: --map Tag 12: no recording has a column of that name\n" in done.err


def test_mixed_formats_of_time_are_read_and_only_those_without_offset_refused(tmp_path: Path) -> None:
    times = ["2025-03-01T08:00:00Z", "1740816001", "1740816002000", "2025-03-01T09:00:03+01:00", "2025-03-01 08:00:04",
             "01.03.2025 08:00:05", "", "soon"]
    (tmp_path / "a.csv").write_text("time,PT-101\n" + "".join(f"{time},3\n" for time in times))
    done = replay(tmp_path, "a.csv")
    assert done.code == 0 and "4 used" in done.out and "4 bad-time" in done.out
    with (tmp_path / "out/quarantine.csv").open(encoding="utf-8", newline="") as file:
        refused = {row["text"]: (row["where"], row["note"]) for row in csv.DictReader(file)}
    assert set(refused) == set(times[4:])
    assert refused["2025-03-01 08:00:04"][0] == "a.csv:6" and "without offset" in refused["2025-03-01 08:00:04"][1]


def test_a_line_of_10_megabytes_costs_that_line(tmp_path: Path) -> None:
    lines = minutes(1).splitlines(keepends=True)
    (tmp_path / "a.csv").write_text(HEADER + "".join(lines[:30]) + "x" * 10_000_000 + "\n" + "".join(lines[30:]))
    done = replay(tmp_path, "a.csv")
    assert done.code == 0 and "180 used" in done.out and "1 too-large" in done.out
    with (tmp_path / "out/quarantine.csv").open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert row["where"] == "a.csv:32" and len(row["text"]) <= 200


def test_rows_before_the_cut_of_a_truncated_gz_are_used(tmp_path: Path) -> None:
    packed = gzip.compress((HEADER + minutes(30)).encode())
    (tmp_path / "a.csv.gz").write_bytes(packed[: len(packed) // 2])
    read = bytearray()
    with gzip.open(tmp_path / "a.csv.gz") as whole, pytest.raises(EOFError):
        while True:
            read += whole.read(1)
    rows = read.count(b"\n") - 1
    done = replay(tmp_path, "a.csv.gz")
    assert rows > 100 and done.code == 0
    assert f"{3 * rows:,} used" in done.out
    assert f"a.csv.gz: the compressed file ends early; the {3 * rows:,} readings before that are used" in done.err


def test_nan_infinities_and_words_are_kept_with_their_reasons(tmp_path: Path) -> None:
    cells = ["NaN,2.8,40", "inf,-Infinity,40", "1e999,2.8,40", "Bad,99,40", "3,2.8,"]
    rows = [f"2025-03-01T08:00:{i:02d}Z,{row}\n" for i, row in enumerate(cells)]
    (tmp_path / "a.csv").write_text(HEADER + "".join(rows))
    done = replay(tmp_path, "a.csv")
    assert done.code == 0
    assert reasons(tmp_path) == {"not-finite": 4, "bad-quality": 1, "out-of-range": 1}
    assert "8 used" in done.out and "6, each with its reason in quarantine.csv: 4 not-finite" in done.out


def test_a_name_that_is_no_utf_8_is_shown_and_replayed(tmp_path: Path) -> None:
    name = os.fsdecode(b"caf\xe9.csv")
    (tmp_path / name).write_text(HEADER + "noon,3,2,40\n" + minutes(1))
    done = replay(tmp_path, name, out=os.fsdecode(b"r\xe9sultats"))
    assert done.code == 0, done.err
    with (tmp_path / os.fsdecode(b"r\xe9sultats") / "quarantine.csv").open(encoding="utf-8", newline="") as file:
        assert [row["where"] for row in csv.DictReader(file)] == [r"caf\udce9.csv:2"]


def test_a_file_in_the_place_of_the_results_ends_with_1(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(HEADER + minutes(1))
    for out in ("a.csv", "a.csv/results"):
        done = replay(tmp_path, "a.csv", out=out)
        assert done.code == 1 and f"{out}: the results cannot be written there" in done.err and "--out" in done.err


def test_a_folder_that_cannot_be_written_ends_with_1(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(HEADER + minutes(1))
    with unwritable(tmp_path) as locked:
        for out in (locked, locked / "results"):
            done = replay(tmp_path, "a.csv", out=str(out))
            assert done.code == 1 and f"{out}: the results cannot be written there" in done.err, done
            assert "accepted for --out" in done.err


def test_a_full_disk_ends_with_1_and_leaves_the_earlier_results(tmp_path: Path) -> None:
    (tmp_path / "good.csv").write_text(HEADER + minutes(1))
    (tmp_path / "bad.csv").write_text(HEADER + minutes(1) + "rubbish,3,2,40\n" * 20_000)
    with small_disk(tmp_path, room=400_000, size=4 << 20) as disk:
        out = disk.folder / "results"
        assert replay(tmp_path, "good.csv", out=str(out)).code == 0
        before = {path.name: path.read_bytes() for path in out.iterdir()}
        done = replay(tmp_path, "bad.csv", out=str(out), **disk.how)
        assert done.code == 1, done
        assert f"{out}: the results could not be written" in done.err and "left as they were" in done.err
        assert {path.name: path.read_bytes() for path in out.iterdir()} == before
