"""`bagwright tune`."""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.commands.common import load_engine, say, warn
from monitor.commands.replay import parse_mapping
from monitor.commands.wording import span
from monitor.errors import InputError

if TYPE_CHECKING:
    from monitor.config.overrides import Template
    from monitor.tuning.material import Material
    from monitor.tuning.progress import Progress
    from monitor.tuning.tune import Tuned, Wishes
    from monitor.tuning.workers import Workers


@dataclass(frozen=True, slots=True)
class Asked:
    """What was typed."""

    recordings: Sequence[Path]
    labels: Sequence[Path]
    config: Path | None
    out: Path
    skid_id: str | None
    timezone: str | None
    mapping: Sequence[str]
    dates: str | None
    vary: Sequence[str]
    processes: int | None
    cluster: str | None


def run_tune(asked: Asked, *, sets: int, seed: int, miss: float) -> None:
    from monitor.tuning.progress import Progress
    from monitor.tuning.tune import Wishes

    materials = list(_materials(asked))
    load_engine()
    line = Line()
    progress = Progress(line.show)
    with _workers(asked, materials) as workers, _stopping(progress):
        tuned = _tune(asked, materials, workers, Wishes(sets, seed, miss), progress)
    line.end()
    from monitor.tuning.report import write

    write(tuned, asked.out, [m.name for m in materials])
    _tell(tuned, asked.out)


def _tune(asked: Asked, materials: list[Material], workers: Workers, wishes: Wishes, progress: Progress) -> Tuned:
    from monitor.tuning.knobs import chosen_knobs
    from monitor.tuning.page import write_files
    from monitor.tuning.tune import tune

    knobs = chosen_knobs(materials[0].template.settings({}), asked.vary) if asked.vary else None
    write_files(asked.out, {})
    return tune(materials, knobs, workers, asked.out, wishes, progress)


def _materials(asked: Asked) -> Iterator[Material]:
    """Decoded once. A case folder brings its own labels and configuration."""
    from monitor.tuning.cases import is_case, material_of

    cases = [path for path in asked.recordings if is_case(path)]
    plain = [path for path in asked.recordings if path not in cases]
    for path in cases:
        yield material_of(path)
    if not plain:
        if asked.labels:
            raise InputError("--labels: every recording given is a case, which has its own; accepted: no --labels")
        return
    if asked.config is None:
        raise InputError(f"{plain[0]}: a recording that is no case needs --config FILE and --labels FILE")
    from monitor.config.overrides import template_of

    template = template_of(asked.config, asked.skid_id)
    for recordings, labels in _pairs(plain, asked.labels):
        yield _decoded(recordings, labels, template, asked)


def _decoded(recordings: Sequence[Path], labels: Path, template: Template, asked: Asked) -> Material:
    from monitor.ingest.recording import open_recordings
    from monitor.times import zone_named
    from monitor.tuning.labels import read_labels
    from monitor.tuning.material import Material, rows_of

    skid, known = template.settings({}), read_labels(labels)
    history = open_recordings(recordings, skid, timezone=asked.timezone, mapping=parse_mapping(asked.mapping),
                              dates=asked.dates)
    rows = rows_of(history, skid, ", ".join(map(str, recordings)))
    for sentence in history.warnings:
        warn(f"warning: {sentence}")
    zone = UTC if asked.timezone is None else zone_named(asked.timezone)
    return Material(str(recordings[0]), template, known, rows, zone)


def _pairs(recordings: Sequence[Path], labels: Sequence[Path]) -> list[tuple[list[Path], Path]]:
    """Which labels belong to which recordings: one file to all; else those in the same folder; else in turn."""
    if not labels:
        raise InputError("--labels is missing: tuning needs the labels.json of each recording")
    if len(labels) == 1:
        return [(list(recordings), labels[0])]
    folders = {label.absolute().parent: label for label in labels}
    if len(folders) == len(labels) and all(path.absolute().parent in folders for path in recordings):
        by_folder: dict[Path, list[Path]] = {}
        for path in recordings:
            by_folder.setdefault(path.absolute().parent, []).append(path)
        if len(by_folder) == len(labels):
            return [(paths, folders[folder]) for folder, paths in by_folder.items()]
    if len(labels) != len(recordings):
        raise InputError(f"--labels: found {len(labels)} files for {len(recordings)} recordings; accepted: one for "
                         "each, beside it or in the same order, or one for all of them as one history")
    return [([path], label) for path, label in zip(recordings, labels, strict=True)]


@contextmanager
def _workers(asked: Asked, materials: Sequence[Material]) -> Iterator[Workers]:
    from monitor.tuning.workers import Here, processes, usable_cores

    if asked.cluster is not None:
        from monitor.tuning.cluster import on_cluster

        with on_cluster(asked.cluster, materials, asked.processes) as cluster:
            yield cluster
        return
    count = usable_cores() if asked.processes is None else asked.processes
    with processes(materials, count) if count > 1 else nullcontext(Here(materials)) as workers:
        yield workers


@contextmanager
def _stopping(progress: Progress) -> Iterator[None]:
    """The first Ctrl-C ends the search with the best so far, the second ends the program."""

    def ask(*_: Any) -> None:
        if progress.stopped:
            raise KeyboardInterrupt
        progress.stop()
        warn("\nstopping: what is being tried is finished, then the best so far is written; again to drop it")

    before = {number: signal.signal(number, ask) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


class Line:
    """Progress on one line of the terminal; nothing where nobody watches."""

    def __init__(self) -> None:
        self._watched, self._length = sys.stderr.isatty(), 0

    def show(self, what: str, share: float, left: float | None) -> None:
        if not self._watched:
            return
        time = "" if left is None else f", about {span(left)} left"
        text = f"{100 * share:3.0f} % done: {what}{time}"
        print(f"\r{text:<{self._length}}", end="", file=sys.stderr, flush=True)
        self._length = len(text)

    def end(self) -> None:
        if self._length:
            print(file=sys.stderr)


def _tell(tuned: Tuned, out: Path) -> None:
    from monitor.tuning.report import FRAGMENT, PAGE, expected_words, notes, row

    for note in notes(tuned):
        warn(f"warning: {note}")
    sets, recordings = len(tuned.trials), len(tuned.materials)
    say(f"tried     {sets} set{'s' * (sets != 1)} on {recordings} recording{'s' * (recordings != 1)}, "
        f"{tuned.days:.1f} skid-days")
    for name, results in (("today", tuned.today), ("proposed", tuned.best)):
        r = row(name, tuned.totals(results), tuned.days)
        say(f"{name:<9} missed {r.missed}, late {r.late}, false {r.false}, needless {r.needless}; in brackets a month")
    for sentence in [] if tuned.expected is None else expected_words(tuned.expected):
        say(f"new data  {sentence}")
    for change in tuned.changes:
        say(f"change    {change.knob.name}: {change.knob.written(change.knob.today)} -> "
            f"{change.knob.written(change.value)}")
    say(f"written   {out / PAGE} to look at, {out / FRAGMENT} to copy from; no configuration was touched")
