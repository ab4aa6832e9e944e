"""Kinds whose settings do not touch each other's events are searched side by side, in the same runs.

A run tells of every kind. So each group draws its own values, all are tried together, and each learns from its own
events: two hundred runs are two hundred for each. What is recommended is tried together before it is.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from monitor.engine.lanes import is_told
from monitor.tuning.knobs import Knob
from monitor.tuning.score import Totals, total
from monitor.tuning.tried import Results

KINDS_TOGETHER = (
    ("changeout-due", "changeout-forecast", "changeout-done", "changeout-suspect"),
    ("element-breach",),
    ("dp-limit",),
    ("closure-seep",),
    ("signal-fault",),
    ("surge",),
    ("flow-blocked",),
)


@dataclass(frozen=True, slots=True)
class Group:
    kinds: tuple[str, ...]
    knobs: tuple[Knob, ...]

    @property
    def name(self) -> str:
        return self.kinds[0]

    @property
    def side_by_side(self) -> bool:
        """Whether sets that differ in its knobs alone go side by side."""
        return all(is_told(knob.kind, knob.key) for knob in self.knobs)


def groups_of(knobs: Sequence[Knob]) -> list[Group]:
    """The groups that have a knob."""
    made = [Group(kinds, tuple(k for k in knobs if k.kind in kinds)) for kinds in KINDS_TOGETHER]
    return [group for group in made if group.knobs]


def counts(results: Results, places: Iterable[int], kinds: Sequence[str] | None = None) -> Totals:
    """Of some recordings and kinds (None: all) together."""
    return total(t for place in places for kind, t in results[place].items() if kinds is None or kind in kinds)
