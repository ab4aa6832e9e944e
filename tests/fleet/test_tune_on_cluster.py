"""What `bagwright tune --cluster` tries on the nodes of a real Ray cluster comes to what one process here finds."""

from __future__ import annotations

import sys

import pytest
from nodes import ROOT, Cluster

from monitor.config.overrides import template_of
from monitor.errors import InputError, RunError
from monitor.fleet.database import url_of
from monitor.ingest.recording import open_recordings
from monitor.settings import Settings
from monitor.tuning.cluster import on_cluster
from monitor.tuning.labels import read_labels
from monitor.tuning.material import Material, sequenced
from monitor.tuning.passes import Task
from monitor.tuning.workers import Here

pytestmark = [pytest.mark.needs("ray"), pytest.mark.timeout(300)]
# The second goes beside none of the others in one pass; the keys of the last contradict each other.
CHANGES = [{"alarm.dp-limit.limit": "20 %", "alarm.dp-limit.on_delay": "1 s"}, {"alarm.element-breach.limit": "10 %"},
           {"alarm.dp-limit.limit": "20 %", "alarm.dp-limit.deadband": "30 %"}]


def material(name: str) -> Material:
    folder = ROOT / "replay_data" / name
    template = template_of(folder / "skid.toml")
    skid = template.settings({})
    rows = sequenced((c.rows for c in open_recordings([folder / "recording.csv.gz"], skid)), skid, name)
    return Material(name, template, read_labels(folder / "labels.json"), rows)


def test_two_workers_on_two_nodes_find_what_this_process_finds(nodes: Cluster, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("RAY_AUTH_MODE", "RAY_AUTH_TOKEN"):
        monkeypatch.setenv(name, nodes.environment[name])
    materials = [material("torn-overnight"), material("torn-element")]
    tasks = [Task(place, change) for change in CHANGES for place in range(2)]
    here = Here(materials).run(tasks, lambda done: True)
    with on_cluster(nodes.address, materials, None) as workers:
        assert workers.count == 2
        there = workers.run(tasks, lambda done: True)
        assert workers.run(tasks, lambda done: False) == {}
    assert there == here and len(here) == len(tasks)
    assert len({str(here[number]) for number in range(0, len(tasks), 2)}) > 1, "the sets are too alike"


def test_what_is_not_installed_is_named_with_the_command_that_installs_it(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("ray", "psycopg"):
        monkeypatch.setitem(sys.modules, name, None)
    with pytest.raises(InputError, match=r"needs Ray.*bagwright\[fleet\]"), on_cluster("auto", [], None):
        pass
    with pytest.raises(InputError, match=r"needs psycopg.*bagwright\[fleet\]"):
        url_of(Settings(()))


def test_a_cluster_that_is_not_there_is_told_at_once() -> None:
    with pytest.raises(RunError, match="nothing answers there"), on_cluster("127.0.0.1:1", [], None):
        pass
    with pytest.raises(InputError, match="no address of a cluster"), on_cluster("hatchery", [], None):
        pass
