"""What has been tried: each set of settings over each recording once, kept in a file so that a search goes on."""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import astuple
from pathlib import Path

from monitor import __version__
from monitor.compiled import sources_digest
from monitor.errors import RunError
from monitor.tuning.knobs import Knob
from monitor.tuning.material import Material
from monitor.tuning.passes import Task
from monitor.tuning.score import Totals
from monitor.tuning.workers import Parts, Workers

Values = Mapping[str, float]            # knob's name -> value in its unit; a knob that is missing stays as today
Results = list[Parts]                   # by place of the recording

NAME = "tried.jsonl"
JUDGING = ("config", "tuning")      # packages that results depend on besides the engine


class Tried:
    """Results by set. `results` of sets that were tried before cost nothing.

    path: where they are kept. A file that belongs to other recordings, labels, settings or another program is begun
    anew (`begun_anew` then). go_on: asked now and then while sets are tried, told how many tasks of how many are done;
    where it says no, what is not done has no results.
    """

    def __init__(
        self, materials: Sequence[Material], knobs: Sequence[Knob], workers: Workers, path: Path,
        go_on: Callable[[int, int], bool] = lambda done, of: True,
    ) -> None:  # fmt: skip
        self.materials, self.knobs = materials, {knob.name: knob for knob in knobs}
        self._workers, self._path, self._go_on = workers, path, go_on
        self._known: dict[tuple[int, str], Parts | None] = {}
        self.begun_anew = False
        self._mark = fingerprint(materials)
        self._load()

    def results(self, sets: Sequence[Values]) -> list[Results | None]:
        """Results of each set; None where its keys do not go together, or where there was no time for it."""
        changes = [self._changes(values) for values in sets]
        wanted = {(place, _key(change)): Task(place, change)
                  for change in changes for place in range(len(self.materials))}  # fmt: skip
        todo = [(key, task) for key, task in wanted.items() if key not in self._known]
        todo.sort(key=lambda item: -self.materials[item[1].place].rows.size)    # the longest first: none is waited for
        self._try(todo)
        return [self._of(change) for change in changes]

    def _of(self, change: Mapping[str, str]) -> Results | None:
        parts = [self._known.get((place, _key(change))) for place in range(len(self.materials))]
        found = [part for part in parts if part is not None]
        return found if len(found) == len(parts) else None

    def _changes(self, values: Values) -> dict[str, str]:
        """What stays as today is not written: a recording may have its own configuration."""
        return {name: self.knobs[name].written(value) for name, value in sorted(values.items())
                if value != self.knobs[name].today}  # fmt: skip

    def _try(self, todo: Sequence[tuple[tuple[int, str], Task]]) -> None:
        if not todo:
            return
        found = self._workers.run([task for _, task in todo], lambda done: self._go_on(done, len(todo)))
        lines = []
        for number in sorted(found):
            (key, task), parts = todo[number], found[number]
            self._known[key] = parts
            kept = None if parts is None else {kind: astuple(t) for kind, t in parts.items()}
            lines.append(json.dumps([task.place, dict(task.changes), kept]) + "\n")
        try:
            with self._path.open("a", encoding="utf-8") as file:
                file.write("".join(lines))
        except OSError as error:
            raise RunError(f"{self._path}: cannot be written ({(error.strerror or str(error)).lower()})") from None

    def _load(self) -> None:
        with contextlib.suppress(OSError, ValueError, TypeError, KeyError):
            first, *rest = self._path.read_text(encoding="utf-8").splitlines()
            if json.loads(first) == self._mark:
                for line in rest:
                    place, change, kept = json.loads(line)
                    parts = None if kept is None else {kind: Totals(*values) for kind, values in kept.items()}
                    self._known[place, _key(change)] = parts
                return
            self.begun_anew = True
        if self._known:     # its end was cut off: what came before is good
            return
        try:
            self._path.write_text(json.dumps(self._mark) + "\n", encoding="utf-8")
        except OSError as error:
            raise RunError(f"{self._path}: cannot be written ({(error.strerror or str(error)).lower()}); accepted for "
                           "--out: a folder that can be written") from None


def fingerprint(materials: Sequence[Material]) -> dict[str, object]:
    """Changes with everything a result depends on beside the set of settings."""
    found: dict[str, object] = {"version": __version__, "program": sources_digest(JUDGING)}
    for material in materials:
        digest = hashlib.sha256(repr((material.template.document.data, material.labels)).encode())
        for column in material.rows:
            digest.update(column.tobytes())
        found[material.name] = digest.hexdigest()[:32]
    return found


def _key(changes: Mapping[str, str]) -> str:
    return json.dumps(changes, sort_keys=True)
