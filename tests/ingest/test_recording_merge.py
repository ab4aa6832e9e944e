"""Several files as one history."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.model import NS
from tests.ingest.helpers import Read, read, same_rows, write

T0 = 1_740_816_000
HEADER = "time,PT-101,PT-102\n"


def wide(path: Path, rows: list[tuple[int, str, str]]) -> Path:
    return write(path, HEADER + "".join(f"{T0 + t},{a},{b}\n" for t, a, b in rows))


def seconds(found: Read) -> list[int]:
    return [t // NS - T0 for t in found.rows.time.tolist()]


def test_files_that_follow_one_another_are_joined_whatever_their_order(tmp_path: Path) -> None:
    first = wide(tmp_path / "z.csv", [(0, "1", ""), (1, "2", "")])
    second = wide(tmp_path / "a.csv", [(10, "3", ""), (11, "4", "")])
    for order in ([first, second], [second, first], [second, first, second]):
        assert seconds(read(order)) == [0, 1, 10, 11]


def test_files_that_overlap_are_interleaved_and_ties_go_by_name(tmp_path: Path) -> None:
    one = wide(tmp_path / "b.csv", [(0, "1", ""), (2, "2", ""), (4, "3", "")])
    two = wide(tmp_path / "a.csv", [(1, "", "4"), (2, "", "5"), (5, "", "6")])
    found = read([one, two])
    assert seconds(found) == [0, 1, 2, 2, 4, 5]
    assert found.rows.value.tolist() == [1.0, 4.0, 5.0, 2.0, 3.0, 6.0]


def test_a_late_row_stays_behind_the_row_it_came_after(tmp_path: Path) -> None:
    late = wide(tmp_path / "a.csv", [(0, "1", ""), (9, "2", ""), (3, "3", "")])
    other = wide(tmp_path / "b.csv", [(5, "", "4"), (9, "", "5"), (10, "", "6")])
    assert seconds(read([late, other])) == [0, 5, 9, 3, 9, 10]


def test_layouts_may_be_mixed(tmp_path: Path) -> None:
    csv = wide(tmp_path / "a.csv", [(0, "1", ""), (4, "2", "")])
    long = write(tmp_path / "b.csv", f"time,signal,value\n{T0 + 2},PT-102,3\n{T0 + 2},PT-999,3\n")
    captured = write(tmp_path / "c.jsonl", f'{{"time": {T0 + 3}, "topic": "hatchery/intake/FT-101", "payload": 30}}\n')
    frame = pd.DataFrame({"time": pd.to_datetime([T0 + 1], unit="s", utc=True), "PT-102": [7.0]})
    frame.to_parquet(tmp_path / "d.parquet")
    found = read([csv, long, captured, tmp_path / "d.parquet"])
    assert seconds(found) == [0, 1, 2, 3, 4]
    assert found.rows.signal.tolist() == [0, 1, 1, 2, 0]
    assert found.refused == [("b.csv:3", "unknown-signal", None)]
    assert found.recordings.layouts == ("wide", "long", "captured", "wide")


def test_rejections_of_files_with_the_same_name_tell_them_apart(tmp_path: Path) -> None:
    paths = []
    for folder in ("mon", "tue"):
        (tmp_path / folder).mkdir()
        paths.append(write(tmp_path / folder / "a.csv", HEADER + "junk\n"))
    assert [where for where, _, _ in read(paths).refused] == [f"{paths[0]}:2", f"{paths[1]}:2"]


def test_many_files_need_few_open_handles(tmp_path: Path) -> None:
    import resource

    paths = [wide(tmp_path / f"{day:04d}.csv", [(day * 100, "1", "2")]) for day in range(300)]
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (100, hard))
    try:
        assert read(paths[::-1]).rows.size == 600
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


ENTRY = st.tuples(st.integers(0, 12), st.sampled_from(["1", "Bad", "", "x,y"]), st.sampled_from(["2", "", "nan"]))


def reference(files: list[tuple[str, list[tuple[int, str, str]]]]) -> list[tuple[str, int]]:
    """(file, line) in order of the running maximum of its readings' times, then file, then line."""
    keys = []
    for name, rows in files:
        newest = -1
        for line, (t, a, b) in enumerate(rows, 2):
            newest = max(newest, t) if a != "x,y" and a + b else newest
            keys.append((newest, name, line))
    return [(name, line) for _, name, line in sorted(keys)]


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.lists(ENTRY, min_size=1, max_size=12), min_size=2, max_size=4), st.integers(1, 7), st.integers(20, 90)
)
def test_merging_agrees_with_a_sort_and_shows_neither_chunks_nor_blocks(
    tmp_path_factory: pytest.TempPathFactory, tables: list[list[tuple[int, str, str]]], chunk_rows: int, block: int
) -> None:
    from monitor.ingest.recording import delimited

    folder = tmp_path_factory.mktemp("merge")
    files = [(f"{'dcba'[i]}.csv", rows) for i, rows in enumerate(tables)]
    paths = [wide(folder / name, rows) for name, rows in files]
    whole = read(paths)
    expected = [
        (t + T0, column)
        for name, line in reference(files)
        for t, a, b in [dict(files)[name][line - 2]]
        for column, cell in enumerate((a, b))
        if a != "x,y" and cell in ("1", "2", "Bad")
    ]
    assert [(t // NS, s) for t, s in zip(whole.rows.time.tolist(), whole.rows.signal.tolist(), strict=True)] == expected
    places = [tuple(r.where.split(":")) for r in whole.rejections]
    order = [(name, str(line)) for name, line in reference(files)]
    assert [order.index(place) for place in places] == sorted(order.index(place) for place in places)  # type: ignore[arg-type]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(delimited.Delimited.pieces, "__defaults__", (block, block))
        cut = read(paths[::-1], chunk_rows=chunk_rows)
    assert same_rows(cut.rows, whole.rows)
    assert cut.rejections == whole.rejections
