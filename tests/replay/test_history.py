"""`--history`: what earlier replays wrote is what forecasts start from.

Truth is the course that each recording is made of.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from monitor.cli import cli
from monitor.times import parse_rfc3339

SKID = """\
[skid]
id = "rig"
name = "Test rig"
vessels = ["cell"]
[skid.element]
changeout_dp = "1.4 bar"
max_dp = "2.5 bar"
[skid.reference]
flow = "10 L/min"
temperature = "20 degC"
[alarm.changeout-due]
on_delay = "2 s"
settle = "10 s"
[[signal]]
id = "up"
role = "inlet-pressure"
topic = "rig/up"
unit = "bar"
range = [0.0, 4.0]
[[signal]]
id = "down"
role = "outlet-pressure"
topic = "rig/down"
unit = "bar"
range = [0.0, 4.0]
[[signal]]
id = "q"
role = "flow"
topic = "rig/q"
unit = "L/min"
range = [0.0, 20.0]
"""
BEGIN = 1_700_000_000


def recording(path: Path, life_s: float, seed: int) -> float:
    """A life that shows little until its last fifth, five readings a second; returns its length [s]."""
    draw = np.random.default_rng(seed)
    second = np.arange(0, life_s + 8, 0.2)
    share = second / life_s
    dp = 0.05 + 0.06 * share + 1.29 * np.maximum(0, (share - 0.8) / 0.2) ** 2
    up, down = 0.4 + dp + 0.02 * draw.standard_normal(dp.size), 0.4 + 0.02 * draw.standard_normal(dp.size)
    flow = 10 + 0.05 * draw.standard_normal(dp.size)
    rows = zip(BEGIN + seed * 10_000 + second, up, down, flow, strict=True)
    text = "time,up,down,q\n" + "".join(f"{t:.1f},{a:.4f},{b:.4f},{q:.3f}\n" for t, a, b, q in rows)
    path.write_text(text, encoding="utf-8")
    return life_s


def replay(folder: Path, name: str, *history: str) -> Path:
    out = folder / f"out-{name}"
    words = ["replay", str(folder / f"{name}.csv"), "--config", str(folder / "skid.toml"), "--out", str(out)]
    result = CliRunner().invoke(cli, words + (["--history", *history] if history else []), catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return out


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    (tmp_path / "skid.toml").write_text(SKID, encoding="utf-8")
    for k, life in enumerate((200.0, 225.0, 210.0, 215.0)):
        recording(tmp_path / f"r{k}.csv", life, k)
    return tmp_path


def forecasts(out: Path) -> list[tuple[float, float, float, float]]:
    """Second of the recording, then hours as seconds."""
    with (out / "forecasts.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    begun, hours = BEGIN + 30_000, ("p10_h", "p50_h", "p90_h")
    return [(parse_rfc3339(r["time"]) / 1e9 - begun, *(3600 * float(r[p]) for p in hours)) for r in rows]


def test_earlier_lives_foretell_a_knee_that_nothing_else_shows(rig: Path) -> None:
    earlier = [str(replay(rig, f"r{k}")) for k in range(3)]
    alone = forecasts(replay(rig, "r3"))
    assert [row for row in alone if row[0] < 0.7 * 215] == [], "before the knee and without history: silence"
    told = forecasts(replay(rig, "r3", *earlier))
    assert max(np.diff([row[0] for row in told])) <= 0.02 * 215
    for share in (0.5, 0.7, 0.9):
        second, p10, p50, p90 = min(told, key=lambda row: abs(row[0] - share * 215))
        left = 215 - second
        assert p10 <= left <= p90
        assert abs(p50 - left) < 0.2 * left


def test_each_life_is_a_line_with_its_end_and_its_curve(rig: Path) -> None:
    (line,) = (replay(rig, "r0") / "elements.jsonl").read_text(encoding="utf-8").splitlines()
    life = json.loads(line)
    assert (life["vessel"], life["ended"], life["skid"]) == ("cell", "due", "rig")
    assert life["volume_m3"] == pytest.approx(208 * 10 / 60_000, rel=0.05)
    assert life["run_total"] == pytest.approx(200 * 10 / 60_000, rel=0.03)
    volume, dp = [p[0] for p in life["curve"]], [p[1] for p in life["curve"]]
    assert volume == sorted(volume)
    assert dp[0] < 0.1 and dp[-1] > 1.2


def test_a_history_that_is_none_is_refused_with_file_and_line(rig: Path) -> None:
    empty = rig / "nothing"
    empty.mkdir()
    words = ["replay", str(rig / "r0.csv"), "--config", str(rig / "skid.toml"), "--out", str(rig / "o"), "--history"]
    missing = CliRunner().invoke(cli, [*words, str(empty)])
    assert "elements.jsonl cannot be read" in str(missing.exception)
    (empty / "elements.jsonl").write_text('{"skid": 4}\n', encoding="utf-8")
    broken = CliRunner().invoke(cli, [*words, str(empty)])
    assert "line 1" in str(broken.exception) and "accepted: lines as replay writes them" in str(broken.exception)


def test_the_report_shows_the_fan_and_what_follows(rig: Path) -> None:
    earlier = [str(replay(rig, f"r{k}")) for k in range(2)]
    page = (replay(rig, "r3", *earlier) / "report.html").read_text(encoding="utf-8")
    assert "Next changeout" in page and "Hours to the changeout point" in page and 'class="band"' in page
