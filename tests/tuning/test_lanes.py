"""Sets side by side in one pass tell what a replay under each of them tells, and cost a part of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from corpus import recordings, rows_of

from monitor.config.overrides import template_of
from monitor.engine.lanes import TOLD, is_told, judge_side_by_side
from monitor.model import Event, Rows
from monitor.simulation.write import skid_toml
from monitor.tuning.evaluate import judged
from monitor.tuning.knobs import Knob, knobs_of
from monitor.tuning.material import sequenced
from monitor.tuning.passes import Task, passes

pytestmark = pytest.mark.timeout(300)

FAMILIES = ("signal-faults", "closure-seep", "flow-blocked", "surge")


def told(events: list[Event]) -> list[tuple[object, ...]]:
    """All but evidence, and other kinds' messages, which may speak of silences and holds; in an order of its own:
    within one second the order is nobody's."""
    return sorted(
        (e.time, e.kind, str(e.transition), e.vessel or "", e.signal or "", e.detail or "", e.onset or 0, repr(e.value),
         e.grade or "", e.message if e.kind in TOLD else "") for e in events if e.kind != "changeout-forecast"
    )  # fmt: skip


def drawn(knobs: list[Knob], rng: np.random.Generator) -> dict[str, str]:
    return {knob.name: knob.written(knob.at(float(rng.random()))) for knob in knobs}


@pytest.mark.parametrize("family", FAMILIES)
def test_each_set_tells_what_a_replay_under_it_tells(family: str, tmp_path: Path) -> None:
    """Settings drawn from the whole of their ways, on simulated recordings of the kinds that they decide about."""
    (recording,) = recordings(family, range(1041, 1042))
    path = tmp_path / "skid.toml"
    path.write_text(skid_toml(recording.site, recording.style.on_change), encoding="utf-8")
    template = template_of(path)
    skid = template.settings({})
    rows: Rows = sequenced([rows_of(recording)], skid, family)
    knobs = [knob for knob in knobs_of(skid, skid.alarms) if is_told(knob.kind, knob.key)]
    rng = np.random.default_rng(7)
    skids = [template.settings(drawn(knobs, rng)) for _ in range(12)]
    found = [told(events) for events in judge_side_by_side(rows, skids, forecasts=False)]
    assert found == [told(judged(rows, skid).events) for skid in skids]
    assert len({tuple(events) for events in found}) > 3


def test_sets_that_differ_in_what_is_measured_are_refused_and_go_in_passes_of_their_own(tmp_path: Path) -> None:
    from tests.tuning.hatchery import template

    plain = template(tmp_path)
    other = plain.settings({"alarm.element-breach.loss": "20 %"})
    with pytest.raises(ValueError, match="side by side"):
        judge_side_by_side(Rows.empty(), [plain.settings({}), other], forecasts=False)
    sets = [{}, {"alarm.surge.limit": "1 bar"}, {"alarm.element-breach.loss": "20 %"},
            {"alarm.signal-fault.stale": "30 s"}, {"alarm.signal-fault.zero_shift": "600 s"}]  # fmt: skip
    made = passes([Task(0, changes) for changes in sets] + [Task(1, {})], workers=1)
    assert [(one.place, one.tasks) for one in made] == [(0, [0, 1, 3]), (0, [2]), (0, [4]), (1, [5])]


def test_one_long_pass_is_shared_out_among_the_workers() -> None:
    tasks = [Task(0, {"alarm.surge.limit": f"{k} bar"}) for k in range(10)]
    assert [one.tasks for one in passes(tasks, workers=2)] == [[0, 1, 2, 3, 4], [5, 6, 7, 8, 9]]
