"""What was tuned on some recordings is worth as much on others: the short form of tests/bench/measure_tuning.py."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest
from corpus import recordings, rows_of

from monitor.config.overrides import template_of
from monitor.simulation.write import skid_toml
from monitor.tuning.choice import Chooser
from monitor.tuning.groups import counts
from monitor.tuning.knobs import chosen_knobs
from monitor.tuning.labels import labels_of
from monitor.tuning.material import Material, sequenced
from monitor.tuning.progress import Progress
from monitor.tuning.tried import Tried
from monitor.tuning.tune import Wishes, tune
from monitor.tuning.workers import Here

POOR = '[alarm.surge]\nlimit = "0.35 bar"\n'
KEYS = ("alarm.surge.limit", "alarm.surge.off_delay")

pytestmark = pytest.mark.timeout(300)


def materials(seeds: range, folder: Path) -> list[Material]:
    """Simulated surges, past the limit and smaller ones, each under poor settings."""
    made = []
    for recording in recordings("surge", seeds):
        path = folder / f"{recording.seed}.toml"
        path.write_text(skid_toml(recording.site, recording.style.on_change) + POOR, encoding="utf-8")
        template = template_of(path)
        rows = sequenced([rows_of(recording)], template.settings({}), path.stem)
        made.append(Material(path.stem, template, labels_of(recording.labels, path.name), rows))
    return made


def test_on_recordings_left_out_most_of_the_gap_to_the_best_known_is_closed(tmp_path: Path) -> None:
    """The best known: the program's own defaults. Nothing may be worse than under the poor settings."""
    folder = tmp_path / "out"
    folder.mkdir()
    made = materials(range(1051, 1054), tmp_path)
    knobs = chosen_knobs(made[0].template.settings({}), KEYS)
    tuned = tune(made, knobs, Here(made), folder, Wishes(16), Progress(lambda what, share, left: None))
    rest = materials(range(1054, 1057), tmp_path)
    poor, best, mine = costs(rest, tuned.miss, [{}, {"alarm.surge.limit": 1.5}, dict(tuned.values)], tmp_path)
    assert poor[0] > best[0] and poor[0] - mine[0] >= 0.9 * (poor[0] - best[0])
    assert all(m <= p for m, p in zip(mine[1:], poor[1:], strict=True))


def costs(
    made: Sequence[Material], miss: float, sets: Sequence[dict[str, float]], folder: Path
) -> list[tuple[float, ...]]:
    """Of each set: what it costs in all, then each objective."""
    knobs = chosen_knobs(made[0].template.settings({}), KEYS)
    tried = Tried(made, knobs, Here(made), folder / "rest.jsonl")
    chooser = Chooser(tried, [], range(len(made)), miss)
    totals = [counts(chooser.one(values), chooser.places) for values in sets]
    return [(chooser.counted(t), *t.objectives) for t in totals]
