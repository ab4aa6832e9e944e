"""What is written: the files, their layout, the same bytes for the same seed, configuration that loads."""

from __future__ import annotations

import csv
import gzip
import json
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from corpus import rows_of, settings_of

from monitor.errors import InputError, RunError
from monitor.simulation.scenarios import generate, scenarios, simulate
from monitor.simulation.site import Wishes

FILES = ("skid.toml", "recording.csv.gz", "labels.json", "truth.csv.gz")
LONG = ("quiet-week", "normal-service")


def table(path: Path) -> list[list[str]]:
    with gzip.open(path, "rt", encoding="utf-8") as file:
        return list(csv.reader(file))


def test_the_same_seed_gives_the_same_bytes_and_another_gives_others(tmp_path: Path) -> None:
    for folder, seed in (("a", 3), ("b", 3), ("c", 4)):
        simulate("good-changeouts", tmp_path / folder, seed)
    for name in FILES:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
        assert (tmp_path / "a" / name).read_bytes() != (tmp_path / "c" / name).read_bytes()


@pytest.mark.parametrize("name", list(scenarios()))
def test_every_scenario_writes_a_configuration_that_the_program_accepts(name: str, tmp_path: Path) -> None:
    recording = generate(name, 11, days=1.0 if name in LONG else None)
    settings = settings_of(recording, tmp_path)
    assert [s.id for s in settings.signals] == [t.id for t in recording.site.transmitters]
    assert settings.vessels == recording.site.vessels
    assert settings.in_service == recording.site.in_service
    assert settings.element.changeout_dp == pytest.approx(recording.site.changeout_dp, rel=1e-5)
    assert settings.reference.flow == pytest.approx(recording.site.flow_ref, rel=1e-5)
    assert settings.reference.temperature == pytest.approx(recording.site.temperature_ref, abs=1e-3)


def test_a_wide_recording_has_a_column_for_each_signal_and_a_value_in_each_row(tmp_path: Path) -> None:
    simulate("torn-in-service", tmp_path, 1)
    header, *rows = table(tmp_path / "recording.csv.gz")
    assert header[0] == "time"
    assert all(len(row) == len(header) and any(row[1:]) for row in rows)
    labels = json.loads((tmp_path / "labels.json").read_text())
    assert set(labels) >= {"events", "decoys", "allowed", "family", "skid_days", "instruments"}
    truth = table(tmp_path / "truth.csv.gz")
    assert truth[0][:4] == ["time", "hours_to_due", "life_fraction", "dp_ref_bar"]
    assert truth[0][-2:] == ["flow_m3h", "dp_bar"]
    assert datetime.fromisoformat(truth[1][0].replace("Z", "+00:00")).second == datetime.fromisoformat(
        truth[2][0].replace("Z", "+00:00")
    ).second


def historian(long: bool) -> int:
    return next(s for s in range(30) if generate("historian-export", s).style.on_change is long)


def test_a_historians_long_export_has_local_times_words_and_only_changes(tmp_path: Path) -> None:
    simulate("historian-export", tmp_path, historian(long=True))
    header, *rows = table(tmp_path / "recording.csv.gz")
    assert header == ["time", "signal", "value", "quality"]
    assert all(datetime.fromisoformat(row[0]).tzinfo is None for row in rows)
    words = [row for row in rows if row[3] == "Bad"]
    assert words
    assert all(not row[2].replace(".", "").replace("-", "").isdigit() for row in words)
    arguments = (tmp_path / "replay_args").read_text().splitlines()
    assert arguments[0] == "--timezone"
    assert 'reporting = "on-change"' in (tmp_path / "skid.toml").read_text()


def test_a_historians_wide_export_maps_its_own_column_names(tmp_path: Path) -> None:
    simulate("historian-export", tmp_path, historian(long=False))
    header = table(tmp_path / "recording.csv.gz")[0]
    arguments = (tmp_path / "replay_args").read_text().splitlines()
    mapped = dict(a.rsplit("=", 1) for a in arguments if "=" in a)
    assert list(mapped) == header[1:]


def test_late_rows_come_at_most_fifteen_seconds_behind_their_turn() -> None:
    seed = next(s for s in range(30) if generate("good-changeouts", s).style.late > 0)
    rows = rows_of(generate("good-changeouts", seed))
    behind = np.maximum.accumulate(rows.time) - rows.time
    assert 0 < behind.max() <= 16e9


def test_sites_differ_in_what_they_measure_and_how() -> None:
    found = [generate("good-changeouts", s) for s in range(25)]
    assert len({r.site.instruments for r in found}) >= 5
    assert len({len(r.site.vessels) for r in found}) >= 3
    assert len({r.style.sharing for r in found}) == 3
    assert len({r.site.interval for r in found}) >= 3
    assert {r.site.pressure_unit for r in (generate("other-units", s) for s in range(6))} == {"psi", "kPa"}


def test_wishes_are_met() -> None:
    site = generate("good-changeouts", 2, instruments="DFT", wishes=Wishes(vessels=4, interval=5.0)).site
    assert (len(site.vessels), site.interval, site.instruments) == (4, 5.0, "DFT")


def test_an_unknown_scenario_is_named_with_its_neighbour() -> None:
    with pytest.raises(InputError, match="did you mean torn-in-service"):
        generate("torn-in-servise", 1)
    with pytest.raises(InputError, match="days"):
        generate("quiet-week", 1, days=0.0)


def test_a_folder_that_cannot_be_written_is_an_error_with_its_name(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    with pytest.raises(RunError, match="file"):
        simulate("surge", blocked / "inside", 1)
