"""From a plant's export to a recommendation, as it is typed: case, labels, checksums, what-if, comparison, tuning.

The export is the shipped recording of the hatchery's intake as a plant would hand it over: psi and US gpm, local time,
tags of the plant's own, words in cells. Its truth is that of replay_data (two vessels changed, both well).
"""

from __future__ import annotations

import csv
import gzip
import json
import math
import shutil
import signal
import subprocess
import sys
import tomllib
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import numpy as np
import pytest
from commands.helpers import ROOT, assert_for_people, bagwright

from monitor.commands.changeout_lines import changeout_lines
from monitor.config.overrides import template_of
from monitor.engine.closures import HoldAnswer
from monitor.engine.messages_changeout import Changeout
from monitor.engine.verification import Finding
from monitor.model import NS
from monitor.replay.minutes import Minutes

SPRING = ROOT / "replay_data/spring-runoff"
TAGS = {"PT-101": "Intake P up", "PT-102": "Intake P down", "FT-101": "Intake F", "TT-101": "River T",
        "PT-111": "Vessel E", "PT-112": "Vessel W"}  # fmt: skip
PSI, GPM = 14.503773773, 4.402867539    # in a bar, and US gpm in a m^3/h: NIST SP 811, appendix B.8
CASE = "2026-04-14-intake-1"

pytestmark = pytest.mark.timeout(300)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plant")
    write_export(folder / "export.csv")
    text = (SPRING / "skid.toml").read_text(encoding="utf-8")
    text = text.replace('unit = "bar"\nrange = [0.0, 10.0]', 'unit = "psi"\nrange = [0.0, 145.0]')
    text = text.replace('unit = "m^3/h"\nrange = [0.0, 60.0]', 'unit = "US gpm"\nrange = [0.0, 264.0]')
    (folder / "skid.toml").write_text(text, encoding="utf-8")
    words = ["export.csv", "--config", "skid.toml", "--out", "cases", *export_words()]
    made = bagwright("case", "new", *words, cwd=folder)
    assert made.code == 0, made.err
    (folder / "said").write_text(made.out, encoding="utf-8")
    return folder


def write_export(path: Path) -> None:
    with gzip.open(SPRING / "recording.csv.gz", "rt", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    with path.open("w", encoding="utf-8", newline="") as out:
        table = csv.writer(out)
        table.writerow(["Timestamp", *TAGS.values()])
        for number, row in enumerate(rows):
            local = datetime.fromisoformat(row["time"]).astimezone(ZoneInfo("Europe/Oslo"))
            cells = [converted(name, row[name]) for name in TAGS]
            if number % 500 == 7:
                cells[2] = "Bad"
            table.writerow([f"{local:%Y-%m-%d %H:%M:%S}", *cells])


def converted(name: str, cell: str) -> str:
    factor = PSI if name.startswith("PT") else GPM if name.startswith("FT") else 1.0
    return f"{float(cell) * factor:.4f}" if cell else ""


def export_words() -> list[str]:
    maps = [f"{tag}={name}" for name, tag in TAGS.items()] + ["Timestamp=time"]
    return ["--timezone", "Europe/Oslo", *(word for pair in maps for word in ("--map", pair))]


def copied(place: Path, tmp_path: Path) -> Path:
    """A case of one's own to change."""
    return Path(shutil.copytree(place / "cases" / CASE, tmp_path / CASE))


def confirmed(place: Path, tmp_path: Path) -> Path:
    case = copied(place, tmp_path)
    assert bagwright("case", "labels", case, "--confirm", "all", cwd=tmp_path).code == 0
    return case


def test_an_export_becomes_a_dated_case_whose_changeouts_are_listed(place: Path) -> None:
    """Returns at 07:38:06 and 07:58:07 UTC by the truth, two hours later on Oslo's clocks in April, each told within
    two minutes. Both lives began before the recording: their own hours and volumes are not known and not invented."""
    said = (place / "said").read_text(encoding="utf-8").splitlines()
    lines = [line for line in said if line.startswith("changeout ")]
    assert len(lines) == 2 and all(" through the skid since " in line for line in lines)
    for line, (vessel, returned) in zip(lines, (("east", "09:38"), ("west", "09:58")), strict=True):
        told = line.partition(" to ")[2].split()
        assert told[0] == "2026-04-14" and told[2:4] == ["CEST", f"{vessel},"]
        early = datetime.strptime(returned, "%H:%M") - datetime.strptime(told[1], "%H:%M")  # noqa: DTZ007
        assert abs(early.total_seconds()) <= 120 and line.endswith(("good", "unverified"))


def test_a_changeout_is_listed_with_life_volume_and_verdict() -> None:
    """An hour of 12 m^3/h and one of nothing by turns. What no vessel is named for is counted for the skid: from 15:00
    two hours of flow, 24 m^3 or 6,340 US gal (NIST SP 811)."""
    skid = template_of(SPRING / "skid.toml").settings({})
    finding = Finding("resistance-low", 1.0, 1.0, (), 0.5, 0.4, 0.6, 0.1)
    start = 1_776_000_000 * NS      # 13:20 UTC
    known = Changeout("s", "east", start, start + 600 * NS, 190_800.0, 812.34, 1e5, 2e4, finding, True,
                      HoldAnswer("not tested", "nothing tells of it"))
    time = start - 3600 * NS + np.arange(480) * 60 * NS
    flow = np.where(np.arange(480) // 60 % 2, 12.0, 0.0)
    minutes = Minutes(time, np.column_stack([flow, flow, flow]))
    (line,) = changeout_lines([known], None, minutes, skid)
    assert line == ("changeout 2026-04-12 13:20 UTC to 2026-04-12 13:30 UTC east, 53.0 h with flow, 812.3 m³, "
                    "resistance-low")  # fmt: skip
    later = replace(known, vessel=None, running_s=None, volume=math.nan, isolated_at=start + 18_000 * NS,
                    returned_at=start + 18_600 * NS)
    _, second, why = changeout_lines([later, known], "Europe/Oslo", minutes, skid)
    assert second == ("changeout 2026-04-12 20:20 CEST to 2026-04-12 20:30 CEST a vessel, 2.8 h with flow and 34.0 m³ "
                      "through the skid since the one before, resistance-low")
    assert "which vessel it was" in why
    gallons = replace(skid, display_units={**skid.display_units, "flow": "US gpm"})
    first = next(iter(changeout_lines([later], None, minutes, gallons)))
    assert "3.0 h with flow and 9,510 US gal through the skid since the recording began" in first
    blind = Minutes(time, np.full((480, 3), np.nan))
    assert "life not known, volume not known" in next(iter(changeout_lines([later], None, blind, skid)))
    assert list(changeout_lines([], None, minutes, skid)) == ["changeouts none seen"]


def test_checksums_are_those_of_sha256sum_and_tell_what_was_changed(place: Path, tmp_path: Path) -> None:
    case = copied(place, tmp_path)
    assert subprocess.run(["sha256sum", "--check", "--strict", "SHA256SUMS"], cwd=case, check=False,
                          capture_output=True).returncode == 0  # fmt: skip
    assert (case / "recording/export.csv").read_bytes() == (place / "export.csv").read_bytes()
    assert bagwright("case", "verify", case, cwd=tmp_path).code == 0
    export = case / "recording/export.csv"
    export.write_bytes(export.read_bytes() + b"\n")
    (case / "more").touch()
    told = bagwright("case", "verify", case, cwd=tmp_path)
    assert told.code == 2 and "export.csv (changed)" in told.err and "more (not in SHA256SUMS)" in told.err
    assert_for_people(told)
    assert bagwright("case", "labels", case, "--confirm", "all", cwd=tmp_path).code == 2
    assert bagwright("tune", case, "--out", "tuned", cwd=tmp_path).code == 2


def test_labels_are_proposed_confirmed_corrected_and_rejected_by_number(place: Path, tmp_path: Path) -> None:
    case = copied(place, tmp_path)
    listed = bagwright("case", "labels", case, cwd=tmp_path).out.splitlines()
    done = [line.split()[0] for line in listed if "changeout-done" in line]
    assert len(done) == 2 and all(" proposed " in line for line in listed)
    assert all("  2026-04-14T" in line and "+02:00  " in line for line in listed)      # by the export's clocks, Oslo's
    assert json.loads((case / "labels.json").read_text())["events"] == []
    assert bagwright("case", "labels", case, "--confirm", ",".join(done), cwd=tmp_path).code == 0
    document = json.loads((case / "labels.json").read_text())
    assert [entry["vessel"] for entry in document["events"]] == ["east", "west"]
    last = len(listed)
    fixed = bagwright("case", "labels", case, "--correct", last, "--vessel", "east", "--within", 100, cwd=tmp_path)
    assert fixed.code == 0 and bagwright("case", "verify", case, cwd=tmp_path).code == 0
    assert json.loads((case / "labels.json").read_text())["events"][1]["within_s"] == 100
    assert bagwright("case", "labels", case, "--reject", last, "--why", "a trial", cwd=tmp_path).code == 0
    document = json.loads((case / "labels.json").read_text())
    assert len(document["events"]) == 1 and document["decoys"][0]["what"] == "no changeout-done of east, good: a trial"
    added = bagwright("case", "labels", case, "--add", "surge", "--at", "2026-04-14T06:00:00Z", cwd=tmp_path)
    assert added.code == 0 and json.loads((case / "labels.json").read_text())["events"][0]["within_s"] == 180


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--confirm", "99"], "accepted: numbers from 1"),
        (["--confirm", "3-1"], "found 3-1; accepted: numbers from 1"),
        (["--confirm", "1-999999999"], "found 1-999999999; accepted: numbers from 1"),
        (["--confirm", "first"], "accepted: numbers of the list"),
        (["--correct", "1"], "nothing to change"),
        (["--correct", "1", "--vessel", "north"], "accepted: east, west"),
        (["--correct", "1", "--signal", "PT-9"], "signal PT-9: accepted: PT-101, "),
        (["--correct", "1", "--at", "yesterday"], "accepted: "),
        (["--add", "surge", "--at", "2030-04-14T06:00:00Z"], "is not in the recording; accepted: a time from"),
        (["--correct", "1", "--until", "2026-04-14T05:00:00Z"], "a time that is not before its beginning"),
        (["--confirm", "1", "--vessel", "east"], "found --vessel; accepted: only with --correct or --add"),
        (["--drop", "1", "--why", "a flush"], "found --why; accepted: only with --reject"),
        (["--by", "Ada"], "found --by; accepted: only with "),
        (["--add", "flood", "--at", "2026-04-14T06:00:00Z"], "kind flood: accepted: "),
        (["--add", "surge"], "--at is missing"),
        (["--confirm", "1", "--drop", "2"], "one of --confirm"),
    ],
)
def test_what_cannot_be_done_to_labels_is_said_and_leaves_them(
    place: Path, tmp_path: Path, words: list[str], said: str
) -> None:
    case = copied(place, tmp_path)
    before = (case / "labels.json").read_bytes()
    told = bagwright("case", "labels", case, *words, cwd=tmp_path)
    assert told.code == 2 and said in told.err, told
    assert_for_people(told)
    assert (case / "labels.json").read_bytes() == before


def test_cases_are_served_without_a_daemon_beside_one_that_is_broken(place: Path, tmp_path: Path) -> None:
    """Nothing is watched: there are no views but those of the cases."""
    copied(place, tmp_path)
    (tmp_path / "2024-01-01-broken").mkdir()
    (tmp_path / "2024-01-01-broken/case.json").write_text("{", encoding="utf-8")
    words = [sys.executable, "-m", "monitor", "case", "page", tmp_path, "--port", "0"]
    with subprocess.Popen(words, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as served:
        assert served.stdout is not None
        address = served.stdout.readline().split()[2].removesuffix("/cases;")
        with httpx.Client(base_url=address, trust_env=False, follow_redirects=True) as client:
            home, alarms, case = (client.get(path) for path in ("/", "/alarms", f"/cases/{CASE}"))
        served.send_signal(signal.SIGINT)
        _, told = served.communicate(timeout=20)
    assert home.url.path == "/cases" and CASE in home.text and "2024-01-01-broken" in home.text
    assert "cannot be read" in home.text and "Alarms" not in home.text and "No reading" not in home.text
    assert (alarms.status_code, case.status_code) == (404, 200) and "to look at, 0 labels" in case.text
    assert served.returncode in (0, 130) and "Traceback" not in told


def test_a_what_if_is_compared_with_the_replay_it_departs_from(place: Path) -> None:
    """Due at 70 instead of 100 % comes earlier, and nothing else moves: raises of changeout-due alone differ."""
    words = ["replay", "export.csv", "--config", "skid.toml", *export_words()]
    assert bagwright(*words, "--out", "now", cwd=place).code == 0
    assert bagwright(*words, "--out", "then", "--set", "alarm.changeout-due.limit=70 %", cwd=place).code == 0
    units = '\n[skid.display_units]\npressure = "psi"\n'
    (place / "psi.toml").write_text((place / "skid.toml").read_text(encoding="utf-8") + units, encoding="utf-8")
    same = bagwright("compare", "now", "now", cwd=place)
    assert same.code == 0 and same.out.startswith("0 gained, 0 lost, 0 moved, 0 changed")
    told = bagwright("compare", "now", "then", "--out", "difference", "--within", "7200", "--config", "psi.toml",
                     cwd=place)
    assert told.code == 0, told.err
    changed = json.loads((place / "difference/comparison.json").read_text())["differences"]
    due = [d for d in changed if d["kind"] == "changeout-due" and d["transition"] == "raised"]
    assert [d["what"] for d in due] == ["moved"] and due[0]["moved_s"] < -600
    assert not {"changeout-done", "element-breach", "surge", "signal-fault"} & {d["kind"] for d in changed}
    page = (place / "difference/comparison.html").read_text(encoding="utf-8")
    assert page.count("<section>") == len(changed) and page.count("<svg") > len(changed) and "http-equiv" in page
    assert 'class="mark medium firm"' in page and 'class="mark medium"' in page      # of the second run, of the first
    assert page.count(">psi<") >= len(changed) and ">bar<" not in page


@pytest.mark.parametrize(
    ("pair", "said"),
    [
        ("alarm.changeout-due.limit=70", "alarm.changeout-due.limit: found 70"),
        ("alarm.flood.limit='1 bar'", "alarm.flood"),
        ("signal.PT-999.unit=psi", "accepted: signal.ID.KEY"),
        ("skid", "accepted: KEY=VALUE"),
        ("broker.port=1", "found no table broker"),
    ],
)
def test_a_what_if_that_cannot_be_is_refused_by_its_key(place: Path, pair: str, said: str) -> None:
    told = bagwright("replay", "export.csv", "--config", "skid.toml", "--out", "no", "--set", pair, *export_words(),
                     cwd=place)  # fmt: skip
    assert told.code == 2 and said in told.err and "accepted" in told.err, told
    assert_for_people(told)
    assert not (place / "no").exists()


def test_tuning_a_case_proposes_and_touches_nothing_and_processes_find_the_same(place: Path, tmp_path: Path) -> None:
    """dp-limit at a quarter of 2.4 bar, at once, is raised by plain loading: by the labels that is false."""
    case = confirmed(place, tmp_path)
    quiet = bagwright("case", "labels", case, cwd=tmp_path).out
    assert "dp-limit" not in quiet
    poor = tmp_path / "poor.toml"
    text = (case / "skid.toml").read_text(encoding="utf-8")
    poor.write_text(text + '[alarm.dp-limit]\nlimit = "25 %"\non_delay = "0 s"\n', encoding="utf-8")
    before = poor.read_bytes()
    shutil.copy(place / "export.csv", tmp_path)
    shutil.copy(case / "labels.json", tmp_path)
    words = ["tune", "export.csv", "--labels", "labels.json", "--config", "poor.toml", "--sets", 8, *export_words()]
    words += ["--vary", "alarm.dp-limit.limit", "--vary", "alarm.dp-limit.on_delay=1 s..100 s"]
    for processes in (1, 2):
        done = bagwright(*words, "--out", f"tuned-{processes}", "--processes", processes, cwd=tmp_path)
        assert done.code == 0, done.err
        assert "warning: One recording" in done.err
    alone, pair = (json.loads((tmp_path / f"tuned-{n}/tuning.json").read_text()) for n in (1, 2))
    assert alone == pair and poor.read_bytes() == before
    assert alone["today"]["by_kind"]["dp-limit"]["false"] > 0 == alone["recommended"]["together"]["false"]
    proposed = tomllib.loads((tmp_path / "tuned-1/recommended.toml").read_text(encoding="utf-8"))
    assert set(proposed["alarm"]) == {"dp-limit"}
    page = (tmp_path / "tuned-1/report.html").read_text(encoding="utf-8")
    assert "<h2>Trade-off</h2>" in page and "alarm.dp-limit.limit" in page and "script" not in page.split("<style>")[0]
    replayed = bagwright("replay", "export.csv", "--config", "poor.toml", "--out", "plain", *export_words(),
                         cwd=tmp_path)  # fmt: skip
    assert replayed.code == 0
    events = [json.loads(line) for line in (tmp_path / "plain/events.jsonl").read_text().splitlines()]
    counted = alone["today"]["by_kind"]
    assert {k: sum(e["kind"] == k for e in events) for k in counted} == {k: t["pushes"] for k, t in counted.items()}
