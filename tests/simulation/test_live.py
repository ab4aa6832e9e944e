"""The demonstration's story: within two minutes at 120x, and left running."""

from __future__ import annotations

import tomllib
from itertools import islice
from pathlib import Path

import pytest

from monitor.config import load
from monitor.simulation.live import TRANSMITTERS, DemoPlant, Step, demo_settings_toml

NS = 1_000_000_000
START = 1_760_000_000 * NS
TWO_MINUTES_AT_120 = 120 * 120


@pytest.fixture(scope="module")
def opening() -> list[Step]:
    return list(islice(DemoPlant(seed=1).run(START), TWO_MINUTES_AT_120))


def drops(steps: list[Step]) -> list[tuple[int, float]]:
    """(second, dP in bar)"""
    return [
        ((s.time_ns - START) // NS, s.samples["PT-101"] - s.samples["PT-102"]) for s in steps if "PT-102" in s.samples
    ]


def test_dp_climbs_from_half_a_bar_to_the_point_and_falls_back_to_clean(opening: list[Step]) -> None:
    seen = drops(opening)
    assert 0.4 < seen[0][1] < 0.65
    called = next(s.time_ns for s in opening if s.caption and "changeout point" in s.caption)
    second = (called - START) // NS
    near = [d for t, d in seen if second - 600 < t < second]
    assert max(near) == pytest.approx(1.0, abs=0.12)
    assert sum(d for _, d in seen[-50:]) / 50 < 0.35


def test_the_captions_tell_both_changeouts_in_order(opening: list[Step]) -> None:
    told = " | ".join(s.caption for s in opening if s.caption)
    order = ["spring runoff", "changeout point", "east is being isolated", "east is back", "west is being isolated",
             "west is back", "back at its clean level"]  # fmt: skip
    places = [told.index(words) for words in order]
    assert places == sorted(places)
    assert "safe" not in told.lower()


def test_the_isolated_vessel_falls_to_nothing_and_dp_stays_below_its_limit(opening: list[Step]) -> None:
    for tag in ("PT-111", "PT-112"):
        assert min(s.samples[tag] for s in opening if tag in s.samples) < 0.05
    assert max(d for _, d in drops(opening)) < 0.85 * 2.4


def test_steps_are_one_second_apart_and_samples_within_their_spans(opening: list[Step]) -> None:
    assert [s.time_ns for s in opening] == [START + k * NS for k in range(len(opening))]
    for t in TRANSMITTERS:
        values = [s.samples[t.id] for s in opening if t.id in s.samples]
        assert t.low - 0.0125 * t.span <= min(values)
        assert max(values) <= t.high


def test_the_same_seed_tells_the_same_story_and_another_another() -> None:
    first, again, other = (list(islice(DemoPlant(seed=s).run(START), 3000)) for s in (2, 2, 3))
    assert first == again
    assert first != other


def test_left_running_it_goes_through_lives_and_tears_an_element_some_days_later() -> None:
    told = [(k / 3600, s.caption) for k, s in enumerate(islice(DemoPlant(seed=1).run(START), 4 * 86_400)) if s.caption]
    torn = [hour for hour, text in told if "tears" in text]
    renewed = [hour for hour, text in told if "back at its clean level" in text]
    assert torn
    assert torn[0] > 24
    assert len(renewed) >= 5
    assert any(0 < hour - torn[0] < 3 for hour in renewed)


def test_the_embedded_configuration_is_one_the_program_accepts(tmp_path: Path) -> None:
    path = tmp_path / "demo.toml"
    path.write_text(demo_settings_toml(), encoding="utf-8")
    skid = load(path).skids[0]
    assert skid.id == "intake-1"
    assert skid.vessels == ("east", "west")
    assert [s.id for s in skid.signals] == [t.id for t in TRANSMITTERS]
    assert tomllib.loads(demo_settings_toml())["skid"]["element"]["changeout_dp"] == "1.0 bar"
