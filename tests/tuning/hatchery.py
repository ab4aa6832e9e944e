"""A small skid's configuration, and a plant whose answers to settings are written down rather than worked out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import numpy as np

from monitor.config.overrides import Template, template_of
from monitor.model import NS, Rows
from monitor.tuning.labels import Label, Labels
from monitor.tuning.material import Material
from monitor.tuning.passes import Task
from monitor.tuning.score import Totals
from monitor.tuning.workers import Found, Parts

START = 1_750_000_000 * NS
SKID = """\
[skid]
id = "intake-1"
vessels = ["east", "west"]
[skid.element]
changeout_dp = "1.0 bar"
max_dp = "2.4 bar"
[skid.reference]
flow = "40 m^3/h"
temperature = "15 degC"
[[signal]]
id = "PT-101"
role = "inlet-pressure"
topic = "hatchery/PT-101"
unit = "bar"
range = [0.0, 10.0]
[[signal]]
id = "PT.102"
role = "outlet-pressure"
topic = "hatchery/PT-102"
unit = "bar"
range = [0.0, 10.0]
"""


def template(folder: Path, more: str = "") -> Template:
    path = folder / "skid.toml"
    path.write_text(SKID + more, encoding="utf-8")
    return template_of(path)


def materials(folder: Path, count: int = 4, more: str = "") -> list[Material]:
    """Recordings of ten days each, with nothing in them: the written plant looks at none of their rows."""
    rows = Rows(np.array([START, START + 864_000 * NS]), np.zeros(2, np.int16), np.ones(2), np.zeros(2, np.uint8))
    labels = Labels((Label(START, "dp-limit", 60.0),))
    return [Material(f"week {k}", template(folder, more), labels, rows) for k in range(count)]


def number(changes: Mapping[str, str], name: str, today: float) -> float:
    return float(changes[name].split()[0]) if name in changes else today


class WrittenPlant:
    """Workers that answer from a rule: (place, changes) -> counts by kind. asked: every task, in order."""

    count = 1

    def __init__(self, rule: Callable[[int, Mapping[str, str]], Parts | None]) -> None:
        self._rule = rule
        self.asked: list[Task] = []

    def run(self, tasks: Sequence[Task], go_on: Callable[[int], bool]) -> Found:
        found: Found = {}
        for number, task in enumerate(tasks):
            if not go_on(number):
                break
            self.asked.append(task)
            found[number] = self._rule(task.place, task.changes)
        return found


def two_kinds(place: int, changes: Mapping[str, str]) -> Parts:
    """dp-limit: ten labels a recording, found where the limit is at most 70 to 79 %, false ones below 65 % and with an
    on-delay under 10 s, late ones over 40 s. surge: four labels, found below 2 bar, false ones below 1.2 bar."""
    limit, delay = number(changes, "alarm.dp-limit.limit", 95.0), number(changes, "alarm.dp-limit.on_delay", 3.0)
    surge = number(changes, "alarm.surge.limit", 0.5)
    missed = sum(limit > 70 + k for k in range(10))
    late = (10 - missed) if delay > 40 else 0
    false = round(max(0.0, 65 - limit)) + round(max(0.0, 10 - delay)) + place % 2
    surges = 0 if surge < 2 else 4
    noise = round(20 * max(0.0, 1.2 - surge))
    return {
        "dp-limit": Totals(10, missed, late, 0, false, 40, false, 10 - missed, (10 - missed) * delay),
        "surge": Totals(4, surges, 0, 0, noise, 8, noise, 4 - surges, 0.0),
    }


POOR = '[alarm.dp-limit]\nlimit = "95 %"\non_delay = "3 s"\n[alarm.surge]\nlimit = "0.5 bar"\n'
