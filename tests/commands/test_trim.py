"""`bagwright trim`: what people see and what is left for the daemon."""

from __future__ import annotations

import time

import pytest
from commands.helpers import assert_for_people, bagwright, skid

from monitor.config import load
from monitor.model import NS, Fact
from monitor.store import Batch, Reader, Store


@pytest.fixture
def config(tmp_path):
    path = skid(tmp_path, '[store]\npath = "s.db"\n')
    value = {
        "state": "proposed", "offset_pa": 2100.0, "before_pa": 0.0, "error_pa": 300.0, "shift_pa": 2100.0, "pair": 0,
        "found": 0, "by": "", "reason": "",
    }  # fmt: skip
    settings = load(path)
    with Store.open(settings.store.path, now=time.time_ns) as store:
        store.configure(settings.skids)
        store.commit(Batch(facts=[Fact("intake-1", "trim/PT-101", value, 1_750_000_000 * NS)]))
    return path


def test_trims_are_listed_and_a_decision_waits_for_a_stopped_daemon(config):
    done = bagwright("trim", "list", "--config", config.name, cwd=config.parent)
    assert_for_people(done)
    assert done.out.split() == [
        "intake-1", "PT-101", "proposed", "0.021", "bar", "(+-", "0.003", "bar)", "off", "what", "it", "reads,",
        "2025-06-15", "15:06:40", "UTC"]  # fmt: skip
    done = bagwright("trim", "approve", "PT-101", "--config", config.name, "--by", "A. Trout", "--reason", "manifold",
                     cwd=config.parent)  # fmt: skip
    assert done.code == 0 and "no daemon has answered yet" in done.out
    with Reader.open(config.parent / "s.db") as reader:
        (request,) = reader.requests(open_only=True)
    assert (request.skid, request.action) == ("intake-1", "trim-approve")
    assert request.body == {"signal": "PT-101", "by": "A. Trout", "reason": "manifold"}


def test_a_signal_that_is_not_there_is_named_with_those_that_are(config):
    done = bagwright("trim", "undo", "PT-999", "--config", config.name, "--by", "A. Trout", cwd=config.parent)
    assert_for_people(done)
    assert done.code == 2
    assert "PT-999" in done.err and "PT-101, PT-102, FT-101" in done.err
