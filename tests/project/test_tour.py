"""README's tour, walked in a copy of what it names: each command as it is printed there."""

from __future__ import annotations

import json
import os
import shlex
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import checkout
import pytest
from corpus import judge
from services import eventually, free_port

from monitor.config import load
from monitor.replay.run import replay

COMMANDS = [shlex.split(c, comments=True)[1:] for c in checkout.readme_commands() if c.startswith("bagwright ")]
SPRING = checkout.ROOT / "replay_data/spring-runoff"

pytestmark = pytest.mark.timeout(300)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with what the tour names; the daemon there keeps to ports that are free."""
    folder = tmp_path_factory.mktemp("tour")
    for name in ("config", "replay_data"):
        shutil.copytree(checkout.ROOT / name, folder / name)
    config = folder / "config/intake-1.toml"
    text = config.read_text(encoding="utf-8")
    for port in ("port = 1883", "port = 8321"):
        text = text.replace(port, f"port = {free_port()}")
    config.write_text(text, encoding="utf-8")
    shutil.copy(SPRING / "skid.toml", folder)
    rows = [f"03/04/2025 09:{i // 60:02d}:{i % 60:02d},{43 + i % 5 / 10},40.6" for i in range(300)]
    (folder / "export.csv").write_text("\n".join(["Timestamp,Tag 12,Tag 13", *rows, ""]))
    return folder


def command(name: str, *has: str) -> list[str]:
    """The tour's command of a name, with these words in it."""
    (found,) = [words for words in COMMANDS if words[0] == name and set(has) <= set(words)]
    return found


def typed(words: list[str], place: Path) -> str:
    environment = os.environ | {"PYTHONPATH": str(checkout.ROOT)}
    done = subprocess.run([sys.executable, "-m", "monitor", *words], cwd=place, env=environment, capture_output=True,
                          encoding="utf-8", check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_the_tour_is_walked_whole() -> None:
    """Whoever adds a command to the tour adds it below."""
    walked = {"case", "changed", "check", "compare", "journal", "plan", "replay", "report", "run", "status", "tune"}
    # Those ask for an alarm that stands: tests/commands/test_alarms.py has them.
    elsewhere = {"ack", "shelve"}
    assert {words[0] for words in COMMANDS} == walked | elsewhere
    assert sum(words[0] == "replay" for words in COMMANDS) == 3
    assert [words[1] for words in COMMANDS if words[0] == "case"] == ["new", "new", "labels", "page"]


def test_check_says_what_was_understood(place: Path) -> None:
    said = typed(command("check"), place)
    assert "intake-1: River intake, duplex" in said and "no fault found" in said
    assert "PT-111" in said and "changeout at 1 bar" in said


def test_run_starts_serves_its_page_and_stops_and_status_reads_its_store(place: Path) -> None:
    log = place / "run.log"
    with log.open("wb") as sink:
        process = subprocess.Popen([sys.executable, "-m", "monitor", *command("run")], cwd=place, stdout=sink,
                                   stderr=sink, env=os.environ | {"PYTHONPATH": str(checkout.ROOT)})
    try:
        eventually(lambda: "cannot be reached" in log.read_text() or process.poll() is not None, 200, "started")
        process.send_signal(signal.SIGTERM)
        assert process.wait(30) == 0, log.read_text()
    finally:
        process.kill()
        process.wait()
    said = log.read_text()
    assert "watching  intake-1 (River intake, duplex)\n" in said and "page      http://127.0.0.1:" in said
    status = typed(command("status"), place)
    assert f"{place}/config/bagwright.db" in status and "intake-1  nothing heard yet" in status
    assert json.loads(typed([*command("status"), "--json"], place))["readings"]["recent"] == 0
    assert "nothing can be said" in typed(command("plan"), place)
    typed(command("changed"), place)
    assert "east" in typed(command("journal"), place)
    assert typed(command("report", "config/intake-1.toml"), place)


def test_the_recording_is_replayed_into_the_files_that_readme_names(place: Path) -> None:
    said = typed(command("replay", "results", "replay_data/spring-runoff/recording.csv.gz"), place)
    assert "1 changeout-due raised" in said and "2 changeout-done noted" in said
    events = [json.loads(line) for line in (place / "results/events.jsonl").read_text().splitlines()]
    assert {e["kind"] for e in events} == {"changeout-due", "changeout-done", "changeout-forecast"}
    page = (place / "results/report.html").read_text(encoding="utf-8")
    assert "<svg" in page and "Changeout due" in page and 'src="http' not in page
    assert (place / "results/quarantine.csv").read_text().startswith("time,skid,signal,reason,where,text,note\n")


def test_a_torn_element_is_told(place: Path) -> None:
    assert "1 element-breach raised" in typed(command("replay", "torn-element"), place)


def test_a_plant_export_is_taken_as_it_comes(place: Path) -> None:
    """Day first: the third of April."""
    assert "cases/2025-04-03-intake-1" in typed(command("case", "export.csv"), place)


def test_a_recording_becomes_a_case_and_its_labels_are_confirmed(place: Path) -> None:
    """`case page`, which serves until it is stopped, is in tests/commands/test_case_and_tune.py."""
    typed(command("case", "replay_data/spring-runoff/recording.csv.gz"), place)
    assert "confirmed" in typed(command("case", "labels"), place)


def test_a_limit_is_tried_and_the_two_runs_are_compared(place: Path) -> None:
    typed(command("replay", "results", "replay_data/spring-runoff/recording.csv.gz"), place)
    typed(command("replay", "--set"), place)
    assert "0 gained, 0 lost" in (said := typed(command("compare"), place)) and "0 moved" not in said
    assert (place / "difference").is_dir()


def test_tuning_leaves_alone_what_nothing_counted_speaks_against(place: Path) -> None:
    said = typed([*command("tune"), "--sets", "8"], place)
    assert "missed 0 of 3, late 0, false 0" in said and "no configuration was touched" in said
    assert "[alarm" not in (place / "tuned/recommended.toml").read_text(encoding="utf-8")


def test_simulate_lists_scenarios_and_writes_one(place: Path) -> None:
    names = [line.split()[0] for line in typed(["simulate"], place).splitlines()]
    assert "torn-in-service" in names
    assert "labels.json" in typed(["simulate", "torn-in-service", "--out", "torn"], place)
    assert {"recording.csv.gz", "labels.json", "skid.toml"} <= set(os.listdir(place / "torn"))
    typed(["check", "torn/skid.toml"], place)


def test_the_events_of_the_recording_are_those_of_its_labels(tmp_path: Path) -> None:
    labels = json.loads((SPRING / "labels.json").read_text(encoding="utf-8"))
    events = replay([SPRING / "recording.csv.gz"], load(SPRING / "skid.toml").skids[0], tmp_path).events
    verdict = judge(labels, events, vessel_pressures=True)
    assert verdict.missed == [] and verdict.false == [] and len(verdict.found) == len(labels["events"]) == 3
    # Both changes were well done.
    assert [event.detail for label, event in verdict.found if label["kind"] == "changeout-done"] == ["good", "good"]
