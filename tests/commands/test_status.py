"""`bagwright status`: the same numbers for people and for programs."""

from __future__ import annotations

import dataclasses
import json
import time
from pathlib import Path

import pytest
from commands.helpers import assert_for_people, bagwright, skid
from store.samples import batch, event, regular

from monitor.commands.wording import ago, number, size, span, wrapped
from monitor.config import load
from monitor.model import NS, Fact, Reason, Rejection, Rows
from monitor.store import Notice, Reader, Store

CLOCK = {"word": "apart", "lag_s": 12.1, "error_s": 0.3, "transients": 5, "against": "PT-101"}
LATE = Fact("intake-1", "clock/PT-102", CLOCK, 1_750_000_000 * NS)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A store with an hour of readings up to two minutes ago, refusals, and an outbox in trouble."""
    config = skid(tmp_path, '[store]\npath = "s.db"\n')
    settings, now = load(config), time.time_ns()
    readings = regular(3_600)
    readings = Rows(readings.time - readings.time.max() + now - 120 * NS, *readings[1:])
    refused = [Rejection(Reason.NOT_FINITE, "intake-1", "PT-101", "hatchery/PT-101", "NaN")] * 1_234
    refused.append(Rejection(Reason.UNKNOWN_SIGNAL, None, None, "hatchery/PT-9", "3.1"))
    notices = [Notice("mqtt", "a", {}, now - 7_500 * NS), Notice("webhook office", "b", {}, now - 7_500 * NS)]
    with Store.open(settings.store.path, now=lambda: now - 300 * NS) as opened:
        opened.configure([*settings.skids, dataclasses.replace(settings.skids[0], id="intake-0")])
        opened.commit(batch(readings, events=[event(0)], rejections=refused, notices=notices, facts=[LATE]))
        opened.sent([n.id for n in opened.due("mqtt", now, 9)])
        opened.failed([n.id for n in opened.due("webhook office", now, 9)], "office answers 503", now + NS)
    return config


def test_status_tells_people_sizes_ages_rates_and_counts(store: Path) -> None:
    done = bagwright("status", "--config", store.name, cwd=store.parent)
    assert_for_people(done)
    assert done.code == 0 and done.err == ""
    told: dict[str, list[str]] = {}
    for line in done.out.splitlines():
        told.setdefault(line[:10].strip() or list(told)[-1], []).append(line[10:])
    assert told["store"][0] == str(store.parent / "s.db") and "kB, of which" in told["store"][1]
    assert told["readings"][0] == "10,800 kept: 10,800 recent, 0 packed"
    assert told["readings"][1] == "oldest 62 min ago, newest 2 min ago"
    assert told["a minute"][1].startswith("180 readings, 0 repeated, 21 set aside, under 0.1 events")
    assert told["skids"] == ["intake-1  newest reading 2 min ago"]
    assert told["former"] == ["intake-0 is not configured any more: nothing was heard of it"]
    assert told["alarms"] == ["none stands"] and not [line for line in told["forecast"] if "intake-0" in line]
    assert told["clocks"] == [
        "intake-1  PT-102 comes 12.1 s after PT-101 (+- 0.3 s, by 5 transients): values are laid side by side"]
    assert told["closures"] == ["intake-1  east, west  not tested: no transmitter measures the pressure in it"]
    assert told["set aside"] == [
        "intake-1  PT-101     not-finite      1,234, the last 5 min ago",
        "no skid   no signal  unknown-signal      1, the last 5 min ago",
    ]
    assert told["outbox"] == [
        "mqtt            1 sent, 0 waiting",
        "webhook office  0 sent, 1 waiting since 2 h 5 min",
        "                failed 5 min ago: office answers 503",
    ]
    assert told["requests"] == ["0 open"]


def test_status_gives_programs_what_the_store_says(store: Path) -> None:
    said = json.loads(bagwright("status", "--json", "--config", store.name, cwd=store.parent).out)
    with Reader.open(load(store).store.path) as reader:
        status, counts = reader.status(), reader.quarantine_counts()
    assert set(said) == {*status, "quarantine_counts", "alarms", "broker", "forecasts", "closures", "clocks", "former"}
    assert said["clocks"] == {"intake-1": {"PT-102": CLOCK}}
    assert said["readings"] == status["readings"] and said["outbox"] == status["outbox"]
    assert [c["number"] for c in said["quarantine_counts"]] == [c.number for c in counts] == [1_234, 1]


def test_numbers_sizes_and_ages_are_those_that_people_read() -> None:
    assert [number(n) for n in (0, 3.0, 0.25, 0.01, 12.4, 1_234_567)] == [
        "0", "3", "0.2", "under 0.1", "12", "1,234,567"]
    assert [size(n) for n in (0, 999, 1_000, 151_552, 2_400_000, 2_000_000_000)] == [
        "0 bytes", "999 bytes", "1.0 kB", "152 kB", "2.4 MB", "2.0 GB"]
    assert [span(s) for s in (0.2, 1, 119, 120, 7_199, 7_500, 172_700, 200_000, 4e7)] == [
        "less than a second", "1 s", "119 s", "2 min", "2 h", "2 h 5 min", "47 h 58 min", "2 d 7 h", "462 d"]
    assert [ago(s) for s in (0.5, 90, -90)] == ["now", "90 s ago", "in 90 s"]


@pytest.mark.parametrize("width", [20, 60, 80, 400])
def test_a_long_message_is_broken_between_words_within_the_terminal(width: int) -> None:
    head, message = "03-01 08:00  >>> changeout-due raised: ", "dP at reference flow and temperature is high. " * 12
    lines = wrapped(head, message, " " * 17, width).splitlines()
    assert len(lines) > 5 and all(len(line) <= max(50, min(width, 110)) for line in lines)
    assert lines[0].startswith(head) and all(line.startswith(" " * 17) for line in lines[1:])
    assert " ".join(" ".join(lines).split()) == " ".join((head + message).split())
