"""Writes a recording as a folder: skid.toml, recording.csv.gz, labels.json, truth.csv.gz, replay_args."""

from __future__ import annotations

import gzip
import json
import math
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from monitor.errors import RunError
from monitor.simulation.instruments import UNITS, Transmitter
from monitor.simulation.labels import rfc3339
from monitor.simulation.sampling import Group, arrival_order
from monitor.simulation.site import Site
from monitor.simulation.story import Recording


def write(recording: Recording, folder: Path) -> None:
    """Writes the folder's files; the same recording gives the same bytes. RunError where it cannot be written."""
    files = {
        "skid.toml": skid_toml(recording.site, recording.style.on_change).encode(),
        "labels.json": (json.dumps(recording.labels, indent=1) + "\n").encode(),
        "recording.csv.gz": gzip.compress("".join(recording_lines(recording)).encode(), 6, mtime=0),
        "truth.csv.gz": gzip.compress("".join(truth_lines(recording)).encode(), 6, mtime=0),
    }
    if arguments := replay_args(recording):
        files["replay_args"] = "".join(f"{a}\n" for a in arguments).encode()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            (folder / name).write_bytes(content)
    except OSError as error:
        raise RunError(f"{folder}: cannot write the recording: {error.strerror or error}") from error


def quantity(value: float, unit: str, digits: int = 6) -> str:
    """An SI value as configuration holds it, in `unit`."""
    scale, offset = UNITS[unit]
    return f"{round((value - offset) / scale, digits):g} {unit}"


def skid_toml(site: Site, on_change: bool) -> str:
    """The configuration of a site's skid."""
    pressure, flow, temperature = site.pressure_unit, site.flow_unit, site.temperature_unit
    names = ", ".join(f'"{v}"' for v in site.vessels)
    serving = f"in_service = {site.in_service}\n" if site.in_service != len(site.vessels) else ""
    head = (
        f'[skid]\nid = "{site.id}"\nname = "{site.name}"\nvessels = [{names}]\n{serving}\n'
        f'[skid.element]\nrating_um = {site.rating_um}\narea = "{site.area:g} m^2"\n'
        f'changeout_dp = "{quantity(site.changeout_dp, pressure)}"\nmax_dp = "{quantity(site.max_dp, pressure)}"\n'
        f'clean_dp = "{quantity(site.sheet_dp, pressure)}"\n\n'
        f'[skid.reference]\nflow = "{quantity(site.flow_ref, flow)}"\n'
        f'temperature = "{quantity(site.temperature_ref, temperature)}"\n'
    )
    return head + "".join(_signal_toml(site, t, on_change) for t in site.transmitters)


def _signal_toml(site: Site, t: Transmitter, on_change: bool) -> str:
    lines = [f'id = "{t.id}"', f'role = "{t.role}"']
    if t.vessel:
        lines.append(f'vessel = "{t.vessel}"')
    lines += [f'topic = "{site.prefix}/{t.id}"', f'unit = "{t.unit}"', f"range = [{t.low}, {t.high}]"]
    if on_change:
        lines += ['reporting = "on-change"', 'max_silence = "900 s"']
    return "\n[[signal]]\n" + "\n".join(lines) + "\n"


def recording_lines(recording: Recording) -> list[str]:
    """Lines of the CSV file, in the order in which rows arrived."""
    rng = np.random.default_rng([recording.seed, 7])
    order = arrival_order(recording.groups, recording.style, rng)
    stamps = [_stamps(recording, g) for g in recording.groups]
    long = recording.style.on_change
    rows = [(_long_rows if long else _wide_rows)(recording.site, g) for g in recording.groups]
    if long:
        return ["time,signal,value,quality\n"] + [f"{stamps[g][k]},{row}\n" for g, k in order for row in rows[g][k]]
    names = [column_name(recording, t.id) for t in recording.site.transmitters]
    header = ",".join(["time", *names]) + "\n"
    return [header] + [f"{stamps[g][k]}{rows[g][k][0]}\n" for g, k in order]


def column_name(recording: Recording, signal: str) -> str:
    """A column's name: the signal's id, or a name of the exporting system's own."""
    return f"{recording.site.name.split(',')[0]} {signal} PV" if recording.style.renamed else signal


def replay_args(recording: Recording) -> list[str]:
    """The arguments, one a line, with which `replay` takes the recording."""
    zone = ["--timezone", recording.style.zone] if recording.style.zone else []
    ids = [t.id for t in recording.site.transmitters] if recording.style.renamed else []
    return zone + [word for i in ids for word in ("--map", f"{column_name(recording, i)}={i}")]


def _stamps(recording: Recording, group: Group) -> list[str]:
    if recording.style.epoch:
        return [f"{t / 1e9:.3f}" for t in group.time.tolist()]
    if recording.style.zone:
        zone = ZoneInfo(recording.style.zone)
        return [_local(t, zone) for t in group.time.tolist()]
    text = np.datetime_as_string(group.time.astype("datetime64[ns]"), unit="ms")
    return [f"{t}Z" for t in text.tolist()]


def _local(time_ns: int, zone: ZoneInfo) -> str:
    moment = datetime.fromtimestamp(time_ns // 1_000_000_000, UTC).astimezone(zone)
    return f"{moment:%Y-%m-%d %H:%M:%S}.{time_ns // 1_000_000 % 1000:03d}"


def _cells(site: Site, group: Group, column: int) -> list[str]:
    t = site.transmitters[group.signals[column]]
    whole = t.resolution == 0 and t.unit == "1"
    cells = ["" if math.isnan(v) else str(int(v)) if whole else repr(v) for v in group.value[:, column].tolist()]
    for (k, j), word in group.words.items():
        if j == column:
            cells[k] = word
    return cells


def _wide_rows(site: Site, group: Group) -> list[list[str]]:
    """What follows the stamp in each row, with empty cells for the signals of other groups."""
    columns = {s: _cells(site, group, j) for j, s in enumerate(group.signals)}
    blank = [""] * group.time.size
    ordered = [columns.get(i, blank) for i in range(len(site.transmitters))]
    return [["," + ",".join(row)] for row in zip(*ordered, strict=True)]


def _long_rows(site: Site, group: Group) -> list[list[str]]:
    """signal,value,quality of each sample of each row."""
    ids = [site.transmitters[s].id for s in group.signals]
    columns = [_cells(site, group, j) for j in range(len(ids))]
    return [
        [f"{ids[j]},{c},{'Bad' if (k, j) in group.words else 'Good'}" for j, c in enumerate(row) if c]
        for k, row in enumerate(zip(*columns, strict=True))
    ]


_DIGITS = {"hours_to_due": 4, "life_fraction": 4, "flow_m3h": 3, "dp_bar": 4}


def truth_lines(recording: Recording) -> list[str]:
    """Lines of truth.csv.gz: a row a minute, for judging results; no command reads it."""
    names = [n for n in recording.truth if n != "second"]
    columns = [
        ["" if math.isnan(v) else repr(round(v, _DIGITS.get(n, 5))) for v in recording.truth[n].tolist()] for n in names
    ]
    stamps = [rfc3339(recording.start_ns, s) for s in recording.truth["second"].tolist()]
    return ["time," + ",".join(names) + "\n"] + [",".join(row) + "\n" for row in zip(stamps, *columns, strict=True)]
