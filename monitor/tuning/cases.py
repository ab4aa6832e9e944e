"""A case: one dated folder with a recording as it came, its labels, its configuration, how to read it, checksums.

    2026-04-14-intake-1/
        recording/       the files, byte for byte
        skid.toml        the configuration that belongs to it
        minutes.csv      what the first replay made of it, by the minute: what labels are drawn with
        labels.json      what it holds, and what was proposed
        case.json        skid, first and last reading, time zone and names of columns that it needs
        SHA256SUMS       of all that, as `sha256sum --check` reads it
"""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor import __version__
from monitor.config.overrides import Template, template_of
from monitor.errors import InputError, RunError
from monitor.skid import SkidSettings
from monitor.times import to_rfc3339, zone_named
from monitor.tuning.labels import read_labels
from monitor.tuning.material import Material, rows_of

if TYPE_CHECKING:
    from monitor.ingest.recording import Recordings
    from monitor.replay.minutes import Minutes

RECORDING, CONFIGURATION, LABELS, ABOUT, SUMS = "recording", "skid.toml", "labels.json", "case.json", "SHA256SUMS"
MINUTES = "minutes.csv"
PIECE = 1 << 20


@dataclass(frozen=True, slots=True)
class Case:
    """An opened case. mapping: a file's own name -> signal id."""

    folder: Path
    template: Template
    skid: SkidSettings
    timezone: str | None
    mapping: dict[str, str]
    dates: str | None = None

    @property
    def recordings(self) -> list[Path]:
        return sorted(path for path in (self.folder / RECORDING).iterdir() if path.is_file())

    def history(self) -> Recordings:
        from monitor.ingest.recording import open_recordings

        return open_recordings(self.recordings, self.skid, timezone=self.timezone, mapping=self.mapping,
                               dates=self.dates)


def is_case(path: Path) -> bool:
    return path.is_dir() and (path / ABOUT).is_file()


def open_case(folder: Path) -> Case:
    """A case; InputError where the folder is none, or lacks a part."""
    if not is_case(folder):
        raise InputError(f"{folder}: no case ({ABOUT} is not there); accepted: a folder that `bagwright case new` made")
    about = read_about(folder / ABOUT)
    template = template_of(folder / CONFIGURATION, about["skid"])
    case = Case(folder, template, template.settings({}), about["timezone"], about["map"], about["dates"])
    if not (folder / RECORDING).is_dir() or not case.recordings:
        raise InputError(f"{folder}: its {RECORDING} folder is missing or empty")
    return case


def read_about(path: Path) -> dict[str, Any]:
    try:
        about = json.loads(path.read_text(encoding="utf-8"))
        good = isinstance(about["skid"], str) and isinstance(about["map"], dict)
        about.setdefault("dates", None)
        good = good and all(about[key] is None or isinstance(about[key], str) for key in ("timezone", "dates"))
    except (OSError, ValueError, KeyError, TypeError):
        good = False
    if not good:
        raise InputError(f"{path}: cannot be read; accepted: the file that `bagwright case new` wrote")
    return dict(about)


def zone_of(about: dict[str, Any]) -> tzinfo:
    """By whose clocks a case's recording was made; UTC where that needed not be told."""
    return UTC if about["timezone"] is None else zone_named(about["timezone"])


def material_of(folder: Path) -> Material:
    """A case, verified and decoded, for tuning."""
    broken = broken_files(folder)
    if broken:
        raise InputError(f"{folder}: changed since it was made: {', '.join(broken)}; `bagwright case verify` says more")
    case = open_case(folder)
    rows = rows_of(case.history(), case.skid, str(folder))
    zone = zone_of(read_about(folder / ABOUT))
    return Material(folder.name, case.template, read_labels(folder / LABELS), rows, zone)


def new_case(
    place: Path, recordings: Sequence[Path], template: Template, *, timezone: str | None,
    mapping: Mapping[str, str], dates: str | None, first: int, last: int,
    minutes: Minutes,
) -> Path:  # fmt: skip
    """Make the folder in `place`, dated by its first reading; labels are still none. Returns it."""
    from monitor.replay.minutes import write_minutes

    skid = template.settings({})
    folder = place / f"{to_rfc3339(first)[:10]}-{skid.id}"
    if folder.exists():
        raise InputError(f"{folder}: is there already; accepted for --out: a place without it")
    about = {
        "skid": skid.id, "first": to_rfc3339(first), "last": to_rfc3339(last), "timezone": timezone,
        "dates": dates, "map": dict(mapping), "recordings": [path.name for path in recordings],
        "bagwright": __version__,
    }  # fmt: skip
    try:
        (folder / RECORDING).mkdir(parents=True)
        for path in recordings:
            if (folder / RECORDING / path.name).exists():
                raise InputError(f"{path}: another recording of that name is in the case already")
            shutil.copyfile(path, folder / RECORDING / path.name)
        shutil.copyfile(template.document.path, folder / CONFIGURATION)
        write_minutes(folder / MINUTES, minutes)
        (folder / ABOUT).write_text(json.dumps(about, indent=1) + "\n", encoding="utf-8")
    except OSError as error:
        raise RunError(f"{folder}: cannot be written ({(error.strerror or str(error)).lower()})") from None
    write_labels(folder, {"events": [], "decoys": [], "allowed": [], "proposals": []})
    return folder


def write_labels(folder: Path, document: dict[str, Any]) -> None:
    """Write labels.json, a line an entry, and the checksums anew."""
    lists = []
    for name, entries in document.items():
        if isinstance(entries, list):
            inside = ",\n".join(f"  {json.dumps(entry, ensure_ascii=False)}" for entry in entries)
            lists.append(f' "{name}": [\n{inside}\n ]' if entries else f' "{name}": []')
        else:
            lists.append(f' "{name}": {json.dumps(entries, ensure_ascii=False)}')
    text = "{\n" + ",\n".join(lists) + "\n}\n"
    try:
        _replace(folder / LABELS, text)
        _replace(folder / SUMS, "".join(f"{digest}  {name}\n" for name, digest in sums(folder).items()))
    except OSError as error:
        raise RunError(f"{folder}: cannot be written ({(error.strerror or str(error)).lower()})") from None


def _replace(path: Path, text: str) -> None:
    """Whole or not at all."""
    half = path.with_name(f".{path.name}")
    half.write_text(text, encoding="utf-8")
    half.replace(path)


def sums(folder: Path) -> dict[str, str]:
    """SHA-256 of each file of a case by its name, checksums and hidden files excepted."""
    files = sorted(path for path in folder.rglob("*")
                   if path.is_file() and path.name != SUMS and not path.name.startswith("."))  # fmt: skip
    return {path.relative_to(folder).as_posix(): _digest(path) for path in files}


def broken_files(folder: Path) -> list[str]:
    """What differs from the checksums: changed, missing, or come to it since."""
    try:
        lines = (folder / SUMS).read_text(encoding="utf-8").splitlines()
        noted = {name: digest for digest, name in (line.split("  ", 1) for line in lines)}
    except (OSError, ValueError):
        return [f"{SUMS} (cannot be read)"]
    found = sums(folder)
    told = [f"{name} (missing)" for name in noted if name not in found]
    told += [f"{name} (changed)" for name, digest in noted.items() if name in found and found[name] != digest]
    return told + [f"{name} (not in {SUMS})" for name in found if name not in noted]


def _digest(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(PIECE):
            digest.update(piece)
    return digest.hexdigest()
