"""What-if: a key that has another name in the file takes its place."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.config.overrides import template_of, what_if
from monitor.errors import InputError
from monitor.tuning.knobs import knobs_of

SKID = Path(__file__).parents[2] / "replay_data/torn-element/skid.toml"


def test_a_limit_is_changed_under_either_of_its_names(tmp_path: Path) -> None:
    """Else tuning would find no set possible where the file says `limit`: it turns `loss`."""
    path = tmp_path / "skid.toml"
    path.write_text(SKID.read_text(encoding="utf-8") + '\n[alarm.element-breach]\nlimit = "39 %"\n', encoding="utf-8")
    template = template_of(path)
    for name in ("loss", "limit"):
        changed = what_if(template, [f"alarm.element-breach.{name}=20 %"]).alarms["element-breach"]
        assert changed.limit == changed.extra["loss"] == pytest.approx(0.2)
    assert template.settings({}).alarms["element-breach"].limit == pytest.approx(0.39)
    with pytest.raises(InputError, match="a loss that differs from limit"):
        what_if(template, ["alarm.element-breach.loss=20 %", "alarm.element-breach.limit=30 %"])
    knobs = {knob.name: knob for knob in knobs_of(template.settings({}), ["element-breach"])}
    loss = knobs["alarm.element-breach.loss"]
    assert template.settings({loss.name: loss.written(20)}).alarms["element-breach"].limit == pytest.approx(0.2)
