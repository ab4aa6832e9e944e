"""The report: complete, self-contained, escaped, and the same bytes for the same input."""

from __future__ import annotations

import base64
import hashlib
import os
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from display_samples import MINUTE, START, event, hatchery_skid, history, read_html

from monitor.config import defaults_for
from monitor.errors import RunError
from monitor.model import Transition
from monitor.report import write_report
from monitor.report.report import render_report
from monitor.skid import Element

COUNTS = {"used": 7180, "rejected": {"late": 3, "bad-quality": 17}}
EVENTS = [
    event(400, "changeout-due", message="Normalised dP has reached 1.0 bar.", value=1.003, unit="bar"),
    event(420, "changeout-due", Transition.CLEARED, message="Normalised dP is below 0.9 bar.", value=0.3, unit="bar"),
    event(410, "changeout-done", Transition.NOTED, message="V1 was changed.", vessel="V1", detail="good", value=1.02,
          unit="1"),
    event(450, "element-breach", message="Resistance was lost.", grade="likely", detail="in-service", value=0.45,
          unit="1"),
]


def report(**changes: Any) -> str:
    given: dict[str, Any] = {"skid": hatchery_skid(), "trend": history(480), "events": EVENTS, "counts": COUNTS,
                             "title": "Replay of the river intake"}
    return render_report(**(given | changes))


def test_report_is_well_formed_and_tells_events_counts_and_configuration() -> None:
    html = read_html(report())
    assert html.faults == []
    for words in ("Replay of the river intake", "Normalised dP has reached 1.0 bar.", "V1 was changed.",
                  "raised, likely", "rejected: late", "7180", "Changeout dP", "1.00 bar", "PT-11", "0 to 10 bar",
                  "2026-03-01 06:40:00 UTC", "5 µm"):
        assert words in html.text


def test_report_defers_to_the_site_and_never_calls_a_vessel_safe() -> None:
    text = read_html(report()).text
    assert "cannot prove that a vessel is safe to open" in text
    assert text.lower().count("safe to open") == 1


def test_report_loads_nothing_from_anywhere() -> None:
    text = report()
    html = read_html(text)
    assert not html.named("link") and not html.named("img") and not html.named("iframe")
    assert all("src" not in script for script in html.named("script"))
    assert "url(" not in text and "@import" not in text and "fetch(" not in text
    addresses = {a for a in text.split('"') if a.startswith(("http:", "https:", "//"))}
    assert addresses == {"http://www.w3.org/2000/svg"}      # a name, used by the script to make elements


def test_policy_of_the_report_allows_exactly_its_own_script() -> None:
    text = report()
    script = text.partition("<script>")[2].partition("</script>")[0]
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    metas = read_html(text).named("meta")
    (policy,) = [m["content"] for m in metas if m.get("http-equiv") == "Content-Security-Policy"]
    assert policy is not None and f"script-src 'sha256-{digest}'" in policy and "default-src 'none'" in policy


def test_text_from_configuration_and_events_is_escaped() -> None:
    evil = "<script>alert('x')</script>"
    skid = hatchery_skid(name=evil, display_units={"pressure": "bar"})
    text = report(skid=skid, title=evil, events=[event(3, "surge", message=evil, vessel=evil)], counts={evil: evil})
    html = read_html(text)
    assert html.faults == []
    assert len(html.named("script")) == 1
    assert evil not in text and evil in html.text


def test_two_processes_write_the_same_bytes(tmp_path: Path) -> None:
    program = ("from pathlib import Path; import sys; from display_samples import *; "
               "from monitor.model import Transition; from monitor.report import write_report; "
               "write_report(Path(sys.argv[1]), skid=hatchery_skid(), trend=history(4000), "
               "events=[event(9, 'surge'), event(12, 'surge', Transition.CLEARED)], counts={'used': 1}, title='t')")
    root = Path(__file__).parents[2]
    for seed in ("1", "2"):
        env = os.environ | {"PYTHONPATH": f"{root}{os.pathsep}{root / 'tests'}", "PYTHONHASHSEED": seed}
        subprocess.run([sys.executable, "-c", program, str(tmp_path / seed)], check=True, env=env, timeout=60)
    assert (tmp_path / "1").read_bytes() == (tmp_path / "2").read_bytes()


def test_full_size_report_is_small_and_quick() -> None:
    began = time.process_time()
    size = len(report(trend=history(4000)).encode())
    assert size < 1_500_000
    assert time.process_time() - began < 3.0


def test_plots_name_the_limits_and_every_kind_that_occurred() -> None:
    html = read_html(report())
    assert "changeout due 1.00 bar" in html.text
    assert "dP limit 2.12 bar" in html.text         # 85 % of 2.5 bar is 2.125
    assert "elements' maximum 2.50 bar" in html.text
    labels = [label for label in html.attributes("aria-label") if label.startswith("Events by kind")]
    assert labels == ["Events by kind. Element breach: 1; Changeout due: 1; Changeout done: 1."]


def test_values_are_shown_in_the_display_units_of_the_skid() -> None:
    """NIST SP 811 (2008), app. B: 1 psi = 6894.757 Pa, 1 US gpm = 6.309020e-5 m^3/s, T/degF = 1.8 T/degC + 32."""
    units = {"pressure": "psi", "flow": "US gpm", "temperature": "degF"}
    text = read_html(report(skid=hatchery_skid(display_units=units))).text
    assert "Changeout dP 14.5 psi" in text
    assert "Reference flow 264 US gpm" in text
    assert "Reference temperature 50.0 °F" in text


def test_limits_are_shown_as_what_they_are() -> None:
    element = Element(changeout_dp=1.0e5, max_dp=2.4e5)
    kinds = ("changeout-due", "changeout-forecast", "element-breach")
    skid = replace(hatchery_skid(), element=element, alarms={kind: defaults_for(kind, element) for kind in kinds})
    text = read_html(report(skid=skid)).text
    for row in ("Changeout due 15 s 60 s 1.00 bar", "Changeout forecast 15 s 60 s 24 h",
                "Element breach 15 s 60 s 15 %"):
        assert row in text


def test_report_without_events_counts_or_data_says_so() -> None:
    empty = {name: np.empty(0, np.int64 if name == "time" else np.float64) for name in history(1)}
    html = read_html(report(trend=empty, events=[], counts={}))
    assert html.faults == []
    assert "Every event, oldest first; values in the units of events.jsonl: none." in html.text
    assert "Nothing was counted." in html.text and "No values in this span." in html.text


def test_report_of_unknown_values_only_is_drawn_without_warning() -> None:
    blind = {name: values if name == "time" else np.full(values.size, np.nan) for name, values in history(30).items()}
    html = read_html(report(trend=blind, events=[]))
    assert html.faults == [] and "nan" not in html.text.lower()


def test_report_replaces_the_file_whole(tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    path.write_text("old")
    write_report(path, skid=hatchery_skid(), trend=history(10), events=[], counts={}, title="new")
    assert path.read_text(encoding="utf-8").rstrip().endswith("</html>")
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]


def test_folder_that_is_not_there_is_explained(tmp_path: Path) -> None:
    path = tmp_path / "no" / "report.html"
    with pytest.raises(RunError, match="cannot be written"):
        write_report(path, skid=hatchery_skid(), trend=history(10), events=[], counts={}, title="")


def test_events_outside_the_data_do_not_stretch_the_plots() -> None:
    text = report(trend=history(60), events=[event(-500, "surge"), event(10, "surge", vessel="V1")])
    starts = set(read_html(text).attributes("data-start"))
    assert starts == {str(START // 1_000_000)}
    assert set(read_html(text).attributes("data-end")) == {str((START + 60 * MINUTE) // 1_000_000)}
