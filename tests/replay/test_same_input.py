"""A recording alone decides what a replay writes: not the chunking, the folder, the day, the files it is spread over.

No outside source: these are the contract's promises, checked by comparing replays with each other.
"""

from __future__ import annotations

import csv
import gzip
import os
import random
import shutil
import subprocess
import sys
from collections import defaultdict
from pathlib import Path

import pytest
from replay.recordings import Simulated, files, replayed, simulated, write

from monitor.model import NS, Event
from monitor.times import parse_rfc3339

ROOT = Path(__file__).parents[2]
SCENARIOS = [("torn-in-service", 5), ("signal-faults", 3), ("good-changeouts", 4)]
WRITTEN = {"changeouts.csv", "elements.jsonl", "events.jsonl", "forecasts.csv", "minutes.csv", "quarantine.csv",
           "report.html"}
TABLES = WRITTEN - {"quarantine.csv", "report.html"}    # those that do not name the files that were read

pytestmark = pytest.mark.timeout(300)


@pytest.fixture(params=SCENARIOS, ids=lambda param: param[0])
def source(request: pytest.FixtureRequest) -> Simulated:
    return simulated(*request.param)


def typed(folder: Path, hash_seed: str, zone: str) -> dict[str, bytes]:
    """The files of a replay typed in a folder of its own, in an environment of its own."""
    environment = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONHASHSEED": hash_seed, "TZ": zone}
    words = ["replay", "recording.csv.gz", "--config", "skid.toml", "--out", f"results-{hash_seed}"]
    done = subprocess.run([sys.executable, "-m", "monitor", *words], cwd=folder, env=environment, capture_output=True,
                          encoding="utf-8", check=False)
    assert done.returncode == 0, done.stderr
    return files(folder / f"results-{hash_seed}")


def test_two_processes_in_two_folders_write_the_same_bytes(tmp_path: Path) -> None:
    source, written = simulated(*SCENARIOS[1]), []
    for name, hash_seed, zone in (("here", "1", "UTC"), ("a folder elsewhere", "4242", "Pacific/Chatham")):
        folder = tmp_path / name
        folder.mkdir()
        for file in ("recording.csv.gz", "skid.toml"):
            shutil.copy(source.folder / file, folder)
        written.append(typed(folder, hash_seed, zone))
    assert set(written[0]) == WRITTEN and len(written[0]["quarantine.csv"].splitlines()) > 50
    assert written[0] == written[1]


@pytest.mark.parametrize("chunk_rows", [997, 20_000])
def test_the_chunking_shows_in_no_byte(source: Simulated, tmp_path: Path, chunk_rows: int) -> None:
    spoiled = source.lines[:]
    chance = random.Random(11)
    for at in sorted(chance.sample(range(len(spoiled)), 40), reverse=True):
        spoiled.insert(at, chance.choice(["no time at all,1,2\n", spoiled[max(0, at - 40)], "\x00\n", spoiled[at]]))
    recording = write(tmp_path / "a.csv", source.header, spoiled)
    replayed(source, tmp_path / "whole", recording)
    replayed(source, tmp_path / "pieces", recording, chunk_rows=chunk_rows)
    whole, pieces = files(tmp_path / "whole"), files(tmp_path / "pieces")
    assert set(whole) == WRITTEN and whole["quarantine.csv"].count(b"\n") > 40
    assert [name for name in sorted(WRITTEN) if whole[name] != pieces[name]] == []


def newest(source: Simulated, lines: list[str]) -> int:
    """Newest time in some lines [ns]."""
    times = [parse_rfc3339(line.split(",", 1)[0]) for line in lines]
    return max(time for time in times if isinstance(time, int))


def facts(events: list[Event]) -> list[object]:
    return [(e.id, e.message, e.detail, e.grade, e.value, e.onset) for e in events]


def test_a_recording_cut_at_any_row_gives_the_first_events_of_the_whole(source: Simulated, tmp_path: Path) -> None:
    whole = replayed(source, tmp_path / "whole", source.recording)
    assert whole
    chance = random.Random(7)
    cuts = [chance.randrange(500, len(source.lines)) for _ in range(8)]
    # And around each event, where a cut is most likely to show.
    for event in whole:
        near = next((i for i, line in enumerate(source.lines) if newest(source, [line]) >= event.time), None)
        cuts += [] if near is None else [near + chance.randrange(-30, 60)]
    for cut in cuts:
        kept = source.lines[: max(cut, 10)]
        part = replayed(source, tmp_path / "part", write(tmp_path / "cut.csv", source.header, kept))
        until = newest(source, kept) - 2 * NS
        assert facts(part) == facts(whole)[: len(part)], cut
        assert [e.id for e in whole[len(part):] if e.time < until] == [], cut


def in_order_of_time(source: Simulated) -> list[str]:
    return sorted(source.lines, key=lambda line: newest(source, [line]))


def tables(folder: Path) -> dict[str, bytes]:
    return {name: data for name, data in files(folder).items() if name in TABLES}


def test_two_files_in_either_order_are_one_history(source: Simulated, tmp_path: Path) -> None:
    lines = in_order_of_time(source)
    replayed(source, tmp_path / "whole", write(tmp_path / "whole.csv", source.header, lines))
    chance = random.Random(3)
    for _ in range(3):
        at = chance.randrange(1, len(lines))
        # Named so that the order of names is not that of time.
        early = write(tmp_path / "z-early.csv", source.header, lines[:at])
        late = write(tmp_path / "a-late.csv", source.header, lines[at:])
        for order in ((early, late), (late, early)):
            replayed(source, tmp_path / "split", *order)
            assert tables(tmp_path / "split") == tables(tmp_path / "whole"), (at, order)


def test_a_file_for_each_signal_is_the_same_history(source: Simulated, tmp_path: Path) -> None:
    lines = in_order_of_time(source)
    replayed(source, tmp_path / "whole", write(tmp_path / "whole.csv", source.header, lines))
    columns = next(csv.reader([source.header]))
    single: dict[str, list[str]] = defaultdict(list)
    for cells in csv.reader(lines):
        for name, cell in zip(columns[1:], cells[1:], strict=True):
            if cell:
                single[name].append(f"{cells[0]},{cell}\n")
    paths = [write(tmp_path / f"{i}.csv", f"time,{name}\n", rows) for i, (name, rows) in enumerate(single.items())]
    packed = tmp_path / "0.csv.gz"
    packed.write_bytes(gzip.compress(paths[0].read_bytes()))
    replayed(source, tmp_path / "spread", packed, *reversed(paths[1:]))
    assert tables(tmp_path / "spread") == tables(tmp_path / "whole")


def test_the_same_recording_twice_says_nothing_twice(source: Simulated, tmp_path: Path) -> None:
    lines = in_order_of_time(source)
    one, other = (write(tmp_path / f"{name}.csv", source.header, lines) for name in "ab")
    replayed(source, tmp_path / "once", one)
    replayed(source, tmp_path / "twice", one, other)
    assert tables(tmp_path / "twice") == tables(tmp_path / "once")
