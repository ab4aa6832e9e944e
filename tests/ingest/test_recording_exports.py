"""Exports as plants' systems and spreadsheets write them: dates, units, what stands before the rows, encodings."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from monitor.errors import InputError
from monitor.ingest.recording.dates import read as read_dates
from monitor.model import NS, Quality
from tests.ingest.helpers import Read, read, write

OSLO = "Europe/Oslo"
# 2026-10-25, 03:00 summer time is 02:00 winter time in Oslo (IANA tz database, Europe/Oslo follows the EU's rule).
CLOCKS = ["2026-10-25 01:30:00", "2026-10-25 02:50:00", "2026-10-25 02:10:00", "2026-10-25 14:05:09"]
TIMES = [datetime.fromisoformat(text) for text in
         ("2026-10-24T23:30:00+00:00", "2026-10-25T00:50:00+00:00", "2026-10-25T01:10:00+00:00",
          "2026-10-25T13:05:09+00:00")]  # fmt: skip
VALUES = [(3.5, 2.5), (3.5625, 2.5), (3.25, 2.25), (4.0, 3.0)]
EXPECTED = [(round(time.timestamp()) * NS, signal, value, 0) for time, pair in zip(TIMES, VALUES, strict=True)
            for signal, value in enumerate(pair)]  # fmt: skip


def lines(shape: str, sep: str = ",", comma: bool = False) -> list[str]:
    """Rows with times as `strftime` writes them."""
    found = []
    for clock, pair in zip(CLOCKS, VALUES, strict=True):
        cells = [datetime.fromisoformat(clock).strftime(shape), *(f"{value:.4f}" for value in pair)]
        found.append(sep.join(cell.replace(".", ",") if comma and i else cell for i, cell in enumerate(cells)))
    return found


def text(header: str, rows: list[str]) -> str:
    return "\n".join([header, *rows]) + "\n"


@pytest.mark.parametrize(("shape", "dates"), [
    ("%d.%m.%Y %H:%M:%S", None), ("%d.%m.%y %H:%M:%S", "month-first"), ("%d-%b-%y %H:%M:%S", None),
    ("%d %B %Y %H:%M:%S", None), ("%Y/%m/%d %H:%M:%S", None), ("%m/%d/%Y %I:%M:%S %p", "month-first"),
    ("%d/%m/%Y %I:%M:%S %p", "day-first"), ("%m-%d-%y %H:%M:%S.000", "month-first"),
])  # fmt: skip
def test_local_dates_as_plants_write_them(tmp_path: Path, shape: str, dates: str | None) -> None:
    """Against Python's strftime; the hour that the clock shows twice comes in order of the rows."""
    found = read(write(tmp_path / "a.csv", text("time,PT-101,PT-102", lines(shape))), timezone=OSLO, dates=dates)
    assert found.readings == EXPECTED and found.rejections == []


@pytest.mark.parametrize("shape", ["%m/%d/%Y %H:%M:%S", "%m-%d-%y %I:%M:%S %p"])
def test_an_order_of_day_and_month_that_is_not_told_is_asked_for(tmp_path: Path, shape: str) -> None:
    path = write(tmp_path / "a.csv", text("time,PT-101,PT-102", lines(shape)))
    with pytest.raises(InputError, match=r"give --dates day-first .* or --dates month-first"):
        read(path, timezone=OSLO)
    found = read(path, timezone=OSLO, dates="day-first")        # there is no month 25
    assert found.rows.size == 0 and {r.note for r in found.rejections} == {"no date, read day-first"}


@pytest.mark.parametrize("cell", [
    "31.02.2026 10:00:00", "25.13.2026 10:00", "1.1.2026 24:00", "1.1.2026 13:00 pm", "0.1.2026 1:00",
    "1.1.2026 0:00 am", "1.Foo.2026 1:00", "12:30:00", "1.1.2026",
])  # fmt: skip
def test_what_is_no_date_costs_only_itself(cell: str) -> None:
    ns, good, unsaid = read_dates(pa.array([cell, "1.1.2026 12:00 AM", None]), None)
    assert good.tolist() == [False, True, False] and not unsaid.any()
    assert ns[1] == np.datetime64("2026-01-01T00:00:00", "ns").astype(np.int64)


def test_two_figures_of_a_year_are_read_as_posix_has_it() -> None:
    """POSIX.1-2017, strptime, %y: 69 to 99 are 1969 to 1999, 00 to 68 are 2000 to 2068."""
    ns, good, _ = read_dates(pa.array(["1.7.69 0:00", "1.7.68 0:00"]), None)
    assert good.all() and ns.astype("M8[ns]").astype("M8[Y]").astype(str).tolist() == ["1969", "2068"]


HEADED = text("time,PT-101,PT-102", lines("%Y-%m-%d %H:%M:%S"))


@pytest.mark.parametrize("content", [
    HEADED.encode("utf-16"),
    ("Trend of the intake\nServer: H1, since 2026-10-25\n\n" + HEADED).encode(),
    text("Date,Time,PT-101,PT-102", [r.replace(" ", ",", 1) for r in lines("%d.%m.%Y %H:%M:%S")]).encode(),
    text("time;PT-101;PT-102", lines("%d.%m.%Y %H:%M:%S", ";", comma=True)).encode("utf-8-sig"),
    text("time,PT-101 (bar),PT-102 [bar]", lines("%Y-%m-%d %H:%M:%S")).encode(),
    text("time,PT-101,PT-102\nlocal,bar,(bar)", lines("%Y-%m-%d %H:%M:%S")).encode(),
], ids=["utf-16", "preamble", "day and time apart", "decimal comma", "units", "units below"])  # fmt: skip
def test_shapes_of_the_same_export_read_the_same(tmp_path: Path, content: bytes) -> None:
    found = read(write(tmp_path / "a.csv", content), timezone=OSLO)
    assert found.readings == EXPECTED and found.rejections == []


# 1 psi = 6 894.757 Pa, 1 US gpm = 6.309 020e-5 m^3/s, t/degC = (t/degF - 32)/1.8: NIST SP 811 (2008), appendix B.8.
OTHERS = {"PT-101": ("psi", 14.5037738, 1.0), "FT-101": ("US gpm", 176.1147, 40.0), "TT-101": ("°F", 50.0, 10.0)}


def assert_converted(found: Read) -> None:
    assert found.rejections == [] and found.rows.value == pytest.approx([1.0, 40.0, 10.0], rel=1e-6)


@pytest.mark.parametrize("where", ["header", "below", "mapped", "long"])
def test_values_in_another_unit_get_the_configured_one(tmp_path: Path, where: str) -> None:
    names, units = list(OTHERS), [unit for unit, _, _ in OTHERS.values()]
    cells = [str(value) for _, value, _ in OTHERS.values()]
    mapping = {}
    if where == "long":
        mapping = {f"tag{i}": f"{name} [{unit}]" for i, (name, unit) in enumerate(zip(names, units, strict=True))}
        content = text("time,signal,value", [f"1740816000,tag{i},{cell}" for i, cell in enumerate(cells)])
    else:
        header, below = ["time", *names], []
        if where == "header":
            header = ["time", *(f"{n} ({u})" for n, u in zip(names, units, strict=True))]
        elif where == "below":
            below = [",".join(["", *units])]
        else:
            mapping = {name: f"{name} [{unit}]" for name, unit in zip(names, units, strict=True)}
        content = text(",".join(header), [*below, ",".join(["1740816000", *cells])])
    assert_converted(read(write(tmp_path / "a.csv", content), mapping=mapping))


@pytest.mark.parametrize(("header", "words"), [
    ("time,FT-101 (gpm)", "say which gallon"), ("time,PT-101 (psia)", "an absolute pressure"),
    ("time,PT-101 (degC)", "but PT-101 is in bar"), ("time,PT-101 [counts]", "'COLUMN=PT-101 \\[bar\\]'"),
    ("time,PT-101 (psi),PT-101", "more than one column is PT-101"),
])  # fmt: skip
def test_units_that_cannot_become_ours_are_refused(tmp_path: Path, header: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        read(write(tmp_path / "a.csv", f"{header}\n1740816000,3{',3' * (header.count(',') - 1)}\n"))


def test_a_column_beside_a_signals_own_is_none_of_it(tmp_path: Path) -> None:
    found = read(write(tmp_path / "a.csv", "time,PT-101,PT-101 (quality)\n1740816000,3,Good\n"))
    assert found.rows.value.tolist() == [3.0] and "PT-101 (quality)" in found.recordings.warnings[0]


def test_words_of_historians_in_cells_are_bad_quality(tmp_path: Path) -> None:
    words = ["Bad", "I/O Timeout", "No Data", "[-11059] No Good Data For Calculation", "#N/A"]
    found = read(write(tmp_path / "a.csv", text("time,PT-101", [f"{1740816000 + i},{w}" for i, w in enumerate(words)])))
    assert found.rows.quality.tolist() == [int(Quality.BAD)] * len(words)
