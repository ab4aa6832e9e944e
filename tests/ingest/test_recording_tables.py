"""Wide and long tables: what is read, what is refused, and pandas as the reference reader."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.model import NS, Quality, Reason
from tests.ingest.helpers import Read, read, same_rows, skid, table, write

T0 = 1_740_816_000 * NS  # 2025-03-01T08:00:00Z
BAD = int(Quality.BAD)


def at(seconds: float) -> int:
    return T0 + round(seconds * 1e9)


def test_a_wide_table_gives_rows_in_order_of_lines_and_columns(tmp_path: Path) -> None:
    text = "time,PT-101,PT-102\n2025-03-01T08:00:00Z,3.5,2.5\n2025-03-01T08:00:01.250Z,,2.25\n2025-03-01T08:00:01Z,3,\n"
    found = read(write(tmp_path / "a.csv", text))
    assert found.readings == [(at(0), 0, 3.5, 0), (at(0), 1, 2.5, 0), (at(1.25), 1, 2.25, 0), (at(1), 0, 3.0, 0)]
    assert found.rejections == []
    assert found.recordings.layouts == ("wide",)


def test_columns_may_be_in_any_order_and_the_time_anywhere(tmp_path: Path) -> None:
    found = read(write(tmp_path / "a.csv", "PT-102, Time ,PT-101\n2,1740816000,3\n"))
    assert found.readings == [(at(0), 1, 2.0, 0), (at(0), 0, 3.0, 0)]


@pytest.mark.parametrize(
    "change",
    [
        lambda text: "\ufeff" + text,
        lambda text: text.replace("\n", "\r\n"),
        lambda text: text.rstrip("\n"),
        lambda text: text.replace("\n", "\n\n"),
        lambda text: "\n\n" + text,
        lambda text: text.replace(",", ";").replace(".", ","),
        lambda text: text.replace(",", ";"),
        lambda text: text.replace(",", "\t"),
        lambda text: text.replace(",", " , ").replace("\n", " \n"),
        lambda text: "\n".join(",".join(f'"{cell}"' for cell in line.split(",")) for line in text.splitlines()) + "\n",
        lambda text: text.replace("PT-101", "TIME").replace("time", "PT-101").replace("TIME", "time"),
    ],
)
def test_spellings_of_the_same_table_read_the_same(tmp_path: Path, change) -> None:  # type: ignore[no-untyped-def]
    text = "time,PT-101,PT-102\n1740816000.5,3.5,2.5\n1740816001.25,,2.25\n"
    expected = [(at(0.5), 0, 3.5, 0), (at(0.5), 1, 2.5, 0), (at(1.25), 1, 2.25, 0)]
    changed = change(text)
    if changed.startswith("PT-101"):  # the columns change places
        changed = "PT-101,time,PT-102\n3.5,1740816000.5,2.5\n,1740816001.25,2.25\n"
    found = read(write(tmp_path / "a.csv", changed))
    assert found.readings == expected
    assert found.rejections == []


def test_gzip_is_told_by_content_and_not_by_name(tmp_path: Path) -> None:
    text = b"time,PT-101\n1740816000,3\n"
    for name, data in (("a.csv.gz", text), ("b.csv", gzip.compress(text)), ("c", text), ("d.parquet", text)):
        assert read(write(tmp_path / name, data)).readings == [(at(0), 0, 3.0, 0)]
    two = gzip.compress(b"time,PT-101\n") + gzip.compress(b"1740816000,3\n") + b"\0" * 512
    assert read(write(tmp_path / "e.csv.gz", two)).readings == [(at(0), 0, 3.0, 0)]


def test_words_in_cells_are_bad_quality_and_keep_their_place(tmp_path: Path) -> None:
    found = read(
        write(tmp_path / "a.csv", "time,PT-101,PT-102\n1740816000,3,Bad\n1740816001,I/O Timeout,2\n1740816002,#N/A, \n")
    )
    assert found.readings == [
        (at(0), 0, 3.0, 0),
        (at(0), 1, None, BAD),
        (at(1), 0, None, BAD),
        (at(1), 1, 2.0, 0),
        (at(2), 0, None, BAD),
    ]
    assert found.refused == [
        ("a.csv:2", "bad-quality", "PT-102"),
        ("a.csv:3", "bad-quality", "PT-101"),
        ("a.csv:4", "bad-quality", "PT-101"),
    ]
    first = found.rejections[0]
    assert (first.text, first.time, first.skid) == ("Bad", at(0), "intake-1")


@pytest.mark.parametrize("cell", ["nan", "NaN", "-inf", "Infinity", "1e999", "1.#IND"])
def test_a_cell_that_is_not_finite_gives_no_row(tmp_path: Path, cell: str) -> None:
    found = read(write(tmp_path / "a.csv", f"time,PT-101,PT-102\n1740816000,{cell},2\n"))
    assert found.readings == [(at(0), 1, 2.0, 0)]
    assert found.refused == [("a.csv:2", "not-finite", "PT-101")]
    assert found.rejections[0].text == cell


@pytest.mark.parametrize("cell", ["1_0", "0x10", "1,5", "3 bar", "3..5", "--3", "٣"])
def test_what_float_or_a_spreadsheet_would_read_but_is_no_number_is_a_word(tmp_path: Path, cell: str) -> None:
    found = read(write(tmp_path / "a.csv", f'time,PT-101\n1740816000,"{cell}"\n'))
    assert found.readings == [(at(0), 0, None, BAD)]


def test_values_beyond_ne43_limits_are_rows_and_rejections(tmp_path: Path) -> None:
    found = read(
        write(tmp_path / "a.csv", "time,PT-101,LS-1\n1740816000,-0.25,255\n1740816001,-0.2,0\n1740816002,10.625,1\n")
    )
    assert found.readings == [
        (at(0), 0, -0.25, BAD),
        (at(0), 4, 255.0, 0),
        (at(1), 0, -0.2, 1),
        (at(1), 4, 0.0, 0),
        (at(2), 0, 10.625, BAD),
        (at(2), 4, 1.0, 0),
    ]
    assert found.refused == [("a.csv:2", "out-of-range", "PT-101"), ("a.csv:4", "out-of-range", "PT-101")]


def test_contacts_may_be_true_and_false(tmp_path: Path) -> None:
    found = read(write(tmp_path / "a.csv", "time,LS-1\n1740816000,TRUE\n1740816001,off\n1740816002,maybe\n"))
    assert [row[2:] for row in found.readings] == [(1.0, 0), (0.0, 0), (None, BAD)]
    both = {"time": [1740816000, 1740816001], "LS-1": [True, None], "PT-101": [True, False]}
    found = read(table(tmp_path / "a.parquet", both))
    assert found.readings == [(at(0), 4, 1.0, 0)]
    assert found.refused == [("a.parquet:1", "undecodable", "PT-101"), ("a.parquet:2", "undecodable", "PT-101")]


BROKEN = [
    (b"1740816001,3,2,1", "undecodable"),
    (b"1740816001,3", "undecodable"),
    (b"junk", "undecodable"),
    (b'1740816001,"3,2', "undecodable"),
    (b'1740816001,3,2"', "undecodable"),
    (b'1740816001,"3"x,2', "undecodable"),
    (b"1740816001,\xff\xfe,2", "undecodable"),
    (b"1740816001,3\x00,2", "undecodable"),
    (b"1740816001,3\r1740816001,2", "undecodable"),
    (b"yesterday,3,2", "bad-time"),
    (b",3,2", "bad-time"),
    (b"12,3,2", "bad-time"),
    (b"2025-03-01T08:00:00,3,2", "bad-time"),
    (b"1960-01-01T00:00:00Z,3,2", "bad-time"),
    (b"2025-02-29T00:00:00Z,3,2", "bad-time"),
    (b"x" * (1 << 20) + b",3,2", "too-large"),
    (b"x" * (10 << 20), "too-large"),
]


@pytest.mark.parametrize(("line", "reason"), BROKEN, ids=[f"{i}-{reason}" for i, (_, reason) in enumerate(BROKEN)])
def test_a_broken_line_is_one_rejection_with_its_number(tmp_path: Path, line: bytes, reason: str) -> None:
    text = b"time,PT-101,PT-102\n1740816000,3,2\n" + line + b"\n1740816002,3.5,2.5\n"
    found = read(write(tmp_path / "a.csv", text))
    assert found.refused == [("a.csv:3", reason, None)]
    assert len(found.rejections[0].text) <= 200
    assert found.readings == [(at(0), 0, 3.0, 0), (at(0), 1, 2.0, 0), (at(2), 0, 3.5, 0), (at(2), 1, 2.5, 0)]


def test_unused_columns_may_hold_anything_and_are_named_once(tmp_path: Path) -> None:
    text = 'time,PT-101,remark,PT-999\n1740816000,3,"pump, stopped",1\n1740816001,3.5,"said ""go""",x\n'
    found = read(write(tmp_path / "a.csv", text))
    assert [row[2] for row in found.readings] == [3.0, 3.5]
    assert found.rejections == []
    assert found.recordings.unknown_columns == {str(tmp_path / "a.csv"): ("remark", "PT-999")}
    assert len(found.recordings.warnings) == 1 and "remark, PT-999" in found.recordings.warnings[0]


def test_foreign_column_names_are_mapped(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", "Zeit;3PT.01 [bar];sum\n01740816000;3,5;x\n")
    found = read(path, mapping={"Zeit": "time", "3PT.01 [bar]": "PT-101"})
    assert found.readings == [(at(0), 0, 3.5, 0)]
    assert found.recordings.unknown_columns == {str(path): ("sum",)}


def test_a_long_table_is_read_line_by_line(tmp_path: Path) -> None:
    text = (
        "Time,Signal,Value,Quality\n1740816000,PT-101,3,Good\n1740816001,PT-101,3.1,Bad\n"
        "1740816002,PT-102,Comm Fail,Bad\n"
        "1740816003,PT-999,1,Good\n1740816004,PT-102,2,64\n1740816005,PT-102,,\n1740816006,LS-1,true,\n"
        "1740816007,PT-101,11,Good\n1740816008,PT-101,,Bad\nsoon,PT-101,1,Good\n1740816009,,1,Good\n"
        "1740816010,PT-101,nan,Good\n"
    )
    found = read(write(tmp_path / "a.csv", text))
    assert found.recordings.layouts == ("long",)
    assert found.readings == [
        (at(0), 0, 3.0, 0),
        (at(1), 0, 3.1, BAD),
        (at(2), 1, None, BAD),
        (at(4), 1, 2.0, 1),
        (at(6), 4, 1.0, 0),
        (at(7), 0, 11.0, BAD),
        (at(8), 0, None, BAD),
    ]
    assert found.refused == [
        ("a.csv:3", "bad-quality", "PT-101"),
        ("a.csv:4", "bad-quality", "PT-102"),
        ("a.csv:5", "unknown-signal", None),
        ("a.csv:7", "undecodable", "PT-102"),
        ("a.csv:9", "out-of-range", "PT-101"),
        ("a.csv:10", "bad-quality", "PT-101"),
        ("a.csv:11", "bad-time", None),
        ("a.csv:12", "unknown-signal", None),
        ("a.csv:13", "not-finite", "PT-101"),
    ]
    assert dict(found.recordings.unknown_signals) == {"PT-999": 1, "": 1}
    assert "PT-999" in found.recordings.warnings[-1]


def test_long_tables_take_mapped_names_and_parquet_dictionaries(tmp_path: Path) -> None:
    frame = pd.DataFrame(
        {
            "time": pd.to_datetime([1740816000, 1740816001], unit="s", utc=True),
            "tag": pd.Categorical(["3PT01", "PT-102"]),
            "value": [3.0, np.nan],
        }
    )
    frame.to_parquet(tmp_path / "a.parquet")
    found = read(tmp_path / "a.parquet", mapping={"tag": "signal", "3PT01": "PT-101"})
    assert found.readings == [(at(0), 0, 3.0, 0)]
    assert found.refused == [("a.parquet:2", "undecodable", "PT-102")]


def test_parquet_columns_of_every_plain_type_are_read(tmp_path: Path) -> None:
    import pyarrow as pa

    columns = {
        "time": pa.array([T0 // 1_000_000, T0 // 1_000_000 + 1000], pa.timestamp("ms", "Europe/Berlin")),
        "PT-101": pa.array([3, None], pa.int16()),
        "PT-102": pa.array(["2.5", "Bad"]).dictionary_encode(),
        "FT-101": pa.array([None, None], pa.null()),
        "TT-101": pa.array([np.nan, np.inf], pa.float32()),
    }
    found = read(table(tmp_path / "a.parquet", columns))
    assert found.readings == [(at(0), 0, 3.0, 0), (at(0), 1, 2.5, 0), (at(1), 1, None, BAD)]
    assert found.refused == [("a.parquet:2", "bad-quality", "PT-102"), ("a.parquet:2", "not-finite", "TT-101")]


@pytest.mark.parametrize(
    "values",
    [
        [1740816000, 1740816001],
        [1740816000000, 1740816001000],
        [float(1740816000), 1740816001.0],
        [T0, T0 + NS],
        ["2025-03-01T08:00:00Z", "2025-03-01T09:00:01+01:00"],
        ["1740816000", "2025-03-01t08:00:01z"],
    ],
)
def test_parquet_times_may_be_numbers_or_text(tmp_path: Path, values: list[object]) -> None:
    found = read(table(tmp_path / "a.parquet", {"time": values, "PT-101": [1.0, 2.0]}))
    assert found.readings == [(at(0), 0, 1.0, 0), (at(1), 0, 2.0, 0)]


def random_frame(seed: int, rows: int) -> pd.DataFrame:
    """A table with gaps, words, disorder and awkward numbers; object columns."""
    random = np.random.default_rng(seed)
    times = T0 + np.sort(random.integers(0, 10**12, rows)) // 1000 * 1000
    columns: dict[str, object] = {
        "time": [f"{pd.Timestamp(t, tz='UTC').isoformat()}".replace("+00:00", "Z") for t in times]
    }
    for name in ("PT-102", "PT-101", "FT-101"):
        numbers = [f"{x:.{random.integers(0, 17)}g}" for x in random.uniform(0, 10, rows)]
        kinds = random.choice(["number", "", "Bad", "nan"], rows, p=[0.7, 0.25, 0.03, 0.02])
        columns[name] = [n if kind == "number" else kind for n, kind in zip(numbers, kinds, strict=True)]
    return pd.DataFrame(columns)


def as_pandas_reads(path: Path, names: list[str]) -> list[tuple[int, int, float | None]]:
    frame = pd.read_csv(path, dtype=str, keep_default_na=False)
    times = pd.to_datetime(frame["time"], utc=True, format="ISO8601").dt.as_unit("ns").astype("int64")
    ids = [signal.id for signal in skid().signals]
    rows: list[tuple[int, int, float | None]] = []
    for time, (_, line) in zip(times.tolist(), frame.iterrows(), strict=True):
        for name in names:
            if line[name] == "Bad":
                rows.append((time, ids.index(name), None))
            elif line[name] not in ("", "nan"):
                rows.append((time, ids.index(name), float(line[name])))
    return rows


@pytest.mark.parametrize("seed", range(5))
def test_random_tables_read_as_pandas_reads_them(tmp_path: Path, seed: int) -> None:
    path = tmp_path / "a.csv"
    random_frame(seed, 400).to_csv(path, index=False)
    found = read(path)
    assert [row[:3] for row in found.readings] == as_pandas_reads(path, ["PT-102", "PT-101", "FT-101"])


@settings(max_examples=25, deadline=None)
@given(values=st.lists(st.floats(0, 10) | st.none(), min_size=1, max_size=50))
def test_doubles_come_through_text_and_parquet_bit_by_bit(
    tmp_path_factory: pytest.TempPathFactory, values: list[float | None]
) -> None:
    folder = tmp_path_factory.mktemp("doubles")
    times = [T0 // NS + i for i in range(len(values))]
    lines = [f"{t},{'' if v is None else repr(v)}\n" for t, v in zip(times, values, strict=True)]
    from_text = read(write(folder / "a.csv", "time,PT-101\n" + "".join(lines)))
    from_parquet = read(table(folder / "a.parquet", {"time": times, "PT-101": np.array(values, np.float64)}))
    expected = [v for v in values if v is not None]
    assert from_text.rows.value.tolist() == from_parquet.rows.value.tolist() == expected


def _same(one: Read, other: Read) -> bool:
    return same_rows(one.rows, other.rows) and one.rejections == other.rejections


LINES = st.lists(
    st.sampled_from(
        [
            "1740816000,3,2",
            "1740816001.5,,2",
            "2025-03-01T08:00:02Z,Bad,2",
            "2025-03-01 08:00:03Z,3,nan",
            "junk",
            "",
            '"1740816004","3,5",2',
            "1740816005,11,2",
            "soon,1,2",
            '1740816006,"3,2',
            "1740816000,1,",
            "1740816007, 3 ,2",
            "1,2,3,4",
        ]
    ),
    max_size=40,
)


@settings(max_examples=60, deadline=None)
@given(lines=LINES, chunk_rows=st.integers(1, 9), block=st.integers(20, 200), cut=st.integers(0, 40))
def test_neither_chunks_nor_blocks_show_and_a_cut_file_gives_a_prefix(
    tmp_path_factory: pytest.TempPathFactory, lines: list[str], chunk_rows: int, block: int, cut: int
) -> None:
    from monitor.ingest.recording import delimited

    folder = tmp_path_factory.mktemp("chunks")
    header = "time,PT-101,PT-102\n"
    path = write(folder / "a.csv", header + "".join(f"{line}\n" for line in lines))
    whole = read(path)
    assert _same(read(path, chunk_rows=chunk_rows), whole)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(delimited.Delimited.pieces, "__defaults__", (block, block))
        assert _same(read(path), whole)
    (folder / "cut").mkdir()
    part = read(write(folder / "cut" / "a.csv", header + "".join(f"{line}\n" for line in lines[:cut])))
    n, m = part.rows.size, len(part.rejections)
    assert _same(part, whole._replace(rows=whole.rows.take(slice(n)), rejections=whole.rejections[:m]))


def test_chunks_are_no_larger_than_asked_and_say_how_far_they_are(tmp_path: Path) -> None:
    from monitor.ingest.recording import open_recordings

    lines = "".join(f"{T0 // NS + i},{'Bad' if i % 10 == 0 else 3},2\n" for i in range(1000))
    recordings = open_recordings([write(tmp_path / "a.csv", "time,PT-101,PT-102\n" + lines)], skid(), chunk_rows=64)
    chunks = list(recordings)
    assert max(chunk.rows.size for chunk in chunks) == 64
    assert sum(chunk.rows.size for chunk in chunks) == 2000
    assert sum(chunk.rejected["PT-101", Reason.BAD_QUALITY] for chunk in chunks) == 100
    done = [chunk.done for chunk in chunks]
    assert done == sorted(done) and done[-1] == 1.0
    again = list(recordings)
    assert all(np.array_equal(a.rows.time, b.rows.time) for a, b in zip(chunks, again, strict=True))
