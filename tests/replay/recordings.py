"""Simulated recordings with something to say, and replays of them."""

from __future__ import annotations

import gzip
from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import NamedTuple

from monitor.config import load
from monitor.model import Event
from monitor.replay.run import replay
from monitor.simulation.scenarios import simulate
from monitor.skid import SkidSettings


class Simulated(NamedTuple):
    """A recording as text: its header and its lines."""

    folder: Path
    skid: SkidSettings
    header: str
    lines: list[str]

    @property
    def recording(self) -> Path:
        return self.folder / "recording.csv.gz"


@cache
def simulated(scenario: str, seed: int) -> Simulated:
    """One for the whole test run; its folder goes with the machine's temporary files."""
    folder = Path(mkdtemp(prefix="bagwright-test-"))
    simulate(scenario, folder, seed)
    header, *lines = gzip.decompress((folder / "recording.csv.gz").read_bytes()).decode().splitlines(keepends=True)
    return Simulated(folder, load(folder / "skid.toml").skids[0], header, lines)


def write(path: Path, header: str, lines: list[str]) -> Path:
    path.write_text(header + "".join(lines), encoding="utf-8")
    return path


def replayed(source: Simulated, out: Path, *recordings: Path, chunk_rows: int = 500_000) -> list[Event]:
    return replay(recordings, source.skid, out, chunk_rows=chunk_rows).events


def files(folder: Path) -> dict[str, bytes]:
    """Every file of a folder, hidden ones too."""
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir()) if path.is_file()}
