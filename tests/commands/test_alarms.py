"""Acting on alarms from the command line, the journal, and how the alarm system performs."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from commands.helpers import assert_for_people, bagwright, skid

from monitor.alarms.catalogue import CATALOGUE
from monitor.config import load
from monitor.daemon.keeper import Keeper
from monitor.model import NS, Event, Transition
from monitor.store import Batch, Notice, Reader, Store

START = 1_767_225_600 * NS      # 2026-01-01T00:00:00Z


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Path]:
    """A configuration whose store has two alarms standing, and no daemon."""
    config = skid(tmp_path, f'[store]\npath = "{tmp_path / "s.db"}"\n')
    settings = load(config)
    with Store.open(settings.store.path, now=lambda: START) as store:
        store.configure(settings.skids)
        batch = Batch(events=[
            Event(START, "intake-1", "dp-limit", Transition.RAISED, "dP nears the limit"),
            Event(START, "intake-1", "element-breach", Transition.RAISED, "torn", grade="likely"),
            Event(START + NS, "intake-1", "element-breach", Transition.CLEARED, "answered"),
        ])  # fmt: skip
        Keeper(settings, store, lambda: START, lambda name: START + 2 * NS).fill(batch)
        store.commit(batch)
        store.commit(Batch(told=[Notice("service duty", "k", {"title": "t"}, START)]))
        store.refused([n.id for n in store.due("service duty", START, 9)], "no such number")
    return config


def states(config: Path) -> dict[str, str]:
    with Reader.open(load(config).store.path) as reader:
        return {key[1]: body["state"] for key, body in reader.alarm_states().items()}


def test_a_stopped_daemons_alarms_can_be_acted_on_and_the_journal_says_by_whom(plant: Path) -> None:
    here = plant.parent
    done = bagwright("ack", "intake-1", "--config", plant, "--by", "Ada", "--why", "seen", cwd=here)
    assert (done.code, done.out.strip()) == (0, "acknowledged: intake-1/dp-limit, intake-1/element-breach")
    done = bagwright("reset", "intake-1/element-breach", "--config", plant, "--by", "Ada", "--why", "new bag", cwd=here)
    assert (done.code, done.out.strip()) == (0, "reset: intake-1/element-breach")
    words = ("shelve", "intake-1/dp-limit", "--for", "30 min", "--by", "Ada", "--why", "test")
    done = bagwright(*words, "--config", plant, cwd=here)
    assert done.code == 0 and states(plant) == {"dp-limit": "shelved", "element-breach": "normal"}
    told = " ".join(bagwright("journal", "--config", plant, "--people", cwd=here).out.split())
    assert re.search(r"element-breach reset \(latched-acknowledged -> normal\) by Ada \(command line\): new bag", told)
    shown = bagwright("status", "--config", plant, cwd=here).out
    assert re.search(r"intake-1/dp-limit +shelved since", shown)


@pytest.mark.parametrize(("words", "code", "reason"), [
    (("reset", "intake-1/dp-limit", "--why", "x"), 1, "its condition still stands"),
    (("shelve", "intake-1/dp-limit", "--for", "30", "--why", "x"), 2, "found \"30\", a number without a unit"),
    (("shelve", "intake-1/dp-limit", "--for", "9 h", "--why", "x"), 1, "ends after 1 h at the latest"),
    (("changed", "intake-1/north"), 1, "accepted: a configured one, as intake-1/east"),
    (("changed", "intake-1/east", "--at", "yesterday"), 2, "accepted: RFC 3339"),
    (("requeue", "carrier-pigeon"), 2, "no such channel"),
])
def test_what_cannot_be_done_ends_with_a_reason_and_changes_nothing(
    plant: Path, words: tuple[str, ...], code: int, reason: str
) -> None:
    before = states(plant)
    done = bagwright(*words, "--config", plant, cwd=plant.parent)
    assert done.code == code and reason in done.err, done
    assert_for_people(done)
    assert states(plant) == before


def test_words_that_are_no_text_are_kept_as_far_as_they_are(plant: Path) -> None:
    done = bagwright("ack", "intake-1", "--config", plant, "--by", b"Ad\xe4", "--why", b"l\xe4uft", cwd=plant.parent)
    assert_for_people(done)
    assert done.code == 0
    with Reader.open(load(plant).store.path) as reader:
        assert {(e.who, e.why) for e in reader.journal(steps=["ack"])} == {("Ad\ufffd", "l\ufffduft")}


def test_a_change_and_a_note_are_written_down(plant: Path) -> None:
    here = plant.parent
    for words in (("changed", "intake-1/east", "--at", "2025-12-31T23:00:00Z", "--part", "25 um felt"),
                  ("journal", "--note", "river is high", "--skid", "intake-1")):
        assert bagwright(*words, "--config", plant, "--by", "Ada", cwd=here).code == 0
    lines = [json.loads(line) for line in bagwright("journal", "--config", plant, "--json", cwd=here).out.splitlines()]
    assert [line["step"] for line in lines[-2:]] == ["changed", "note"]
    assert "2025-12-31T23:00:00" in lines[-2]["why"] and "25 um felt" in lines[-2]["why"]
    with Reader.open(load(plant).store.path) as reader:
        assert reader.facts("intake-1")["changed/east"].value["part"] == "25 um felt"


def test_refused_notices_are_seen_in_status_and_tried_again_when_asked(plant: Path) -> None:
    here = plant.parent
    shown = bagwright("status", "--config", plant, cwd=here).out
    assert re.search(r"service duty +0 sent, 0 waiting, 1 refused", shown)
    done = bagwright("requeue", "service duty", "--config", plant, cwd=here)
    assert done.out.strip() == "service duty: 1 refused notices are tried again"
    assert re.search(r"service duty +0 sent, 1 waiting", bagwright("status", "--config", plant, cwd=here).out)


def test_check_prints_what_each_alarm_asks_for(plant: Path) -> None:
    told = bagwright("check", plant, cwd=plant.parent)
    assert told.code == 0
    for kind in CATALOGUE:
        assert re.search(rf"^  {kind} +(high|medium|low) priority, respond within", told.out, re.MULTILINE), kind


def test_the_report_counts_what_was_announced(plant: Path) -> None:
    told = json.loads(bagwright("report", "--config", plant, "--json", cwd=plant.parent).out)
    assert (told["annunciated"], told["by_priority"]["high"], told["fleeting"]) == (2, 2, 1)
    assert "in ten minutes" in bagwright("report", "--config", plant, cwd=plant.parent).out


@pytest.mark.parametrize(("name", "begins"), [("day.html", b"<!DOCTYPE html>"), ("day.pdf", b"%PDF-")])
def test_a_whole_report_is_written_to_a_file(plant: Path, name: str, begins: bytes) -> None:
    done = bagwright("report", "--config", plant, "--out", name, "--timezone", "Europe/Oslo", cwd=plant.parent)
    assert (done.code, done.out.strip()) == (0, f"report in {name}")
    content = (plant.parent / name).read_bytes()
    assert content.startswith(begins)
    assert begins == b"%PDF-" or b"dP nears the limit" in content
    assert [f.name for f in plant.parent.glob("*.part")] == []


@pytest.mark.parametrize(("more", "words"), [
    (["--out", "day.txt"], "ends in .html or .pdf"), (["--out", "day.html", "--at", "soon"], "RFC 3339"),
    (["--out", "day.html", "--timezone", "Mars/Base"], "IANA time zone database"),
    (["--out", "day.html", "--skid", "none"], "accepted: intake-1")])
def test_a_report_that_cannot_be_made_says_what_is_accepted(plant: Path, more: list[str], words: str) -> None:
    done = bagwright("report", "--config", plant, *more, cwd=plant.parent)
    assert done.code == 2 and words in done.err
