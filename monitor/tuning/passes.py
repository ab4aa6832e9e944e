"""Tasks put together into passes: sets that differ only in what is told go side by side over one recording."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from monitor.engine.lanes import is_told

MOST = 64       # sets in one pass; more gain nothing


class Task(NamedTuple):
    """A recording by its place, and the keys to change in its configuration."""

    place: int
    changes: Mapping[str, str]


class Pass(NamedTuple):
    """Sets over the recording at `place`, and which of the tasks they are."""

    place: int
    sets: list[Mapping[str, str]]
    tasks: list[int]


def passes(tasks: Sequence[Task], workers: int) -> list[Pass]:
    """In the order of the tasks; enough of them for the workers, where that can be."""
    together: dict[tuple[int, str], list[int]] = {}
    for number, task in enumerate(tasks):
        together.setdefault((task.place, followed_up(task.changes)), []).append(number)
    parts = -(-workers // len(together)) if together else 1
    made = []
    for (place, _), numbers in together.items():
        size = min(MOST, -(-len(numbers) // parts))
        for start in range(0, len(numbers), size):
            some = numbers[start : start + size]
            made.append(Pass(place, [tasks[number].changes for number in some], some))
    return made


def followed_up(changes: Mapping[str, str]) -> str:
    """What of the changed keys cannot go side by side, as text."""
    return json.dumps({name: value for name, value in changes.items() if not is_told(*name.split(".")[1:])},
                      sort_keys=True)  # fmt: skip
