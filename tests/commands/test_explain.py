"""`bagwright explain`: the evidence of an event, from what a replay wrote and from a daemon's store, run again."""

from __future__ import annotations

import json
import re
from pathlib import Path

import msgspec
import numpy as np
import pytest
from commands.helpers import HEADER, assert_for_people, bagwright, skid

from monitor.commands.explain import event_of, run_explain
from monitor.config import load
from monitor.daemon.rebuild import Memory
from monitor.engine.engine import STATE_VERSION, Engine
from monitor.errors import InputError, RunError
from monitor.model import NS, Event, Rows
from monitor.records import event_object
from monitor.store import Batch, Checkpoint, Store

START = 1_740_816_000 * NS       # 2025-03-01T08:00:00Z
SECONDS = 10_000
OVER = 9_000                     # s at which dP goes past the elements' limit


def readings(seed: int = 2) -> Rows:
    """Hours of steady flow, then more dP than the elements are built for; another hour follows a silent outlet."""
    rng, n = np.random.default_rng(seed), SECONDS
    drop = np.where(np.arange(n) >= OVER, 2.3, 0.4)
    columns = np.stack([2.0 + drop, np.full(n, 2.0), np.full(n, 40.0)])
    columns += rng.normal(0, [[0.003], [0.003], [0.1]], (3, n))
    columns[1, OVER + 300 :] = np.nan
    second, signal = np.nonzero(~np.isnan(columns.T))
    value = np.round(columns.T[second, signal], 3)
    return Rows(START + second * NS, signal.astype(np.int16), value, np.zeros(value.size, np.uint8))


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Event]]:
    """A configuration whose store holds what a daemon would have kept: readings, checkpoints, events."""
    folder = tmp_path_factory.mktemp("explain")
    config = skid(folder, '[store]\npath = "kept.db"\n')
    settings = load(config)
    engine, rows, events = Engine(settings.skids), readings(), []
    with Store.open(settings.store.path, now=lambda: START) as store:
        store.configure(settings.skids)
        for part in np.array_split(np.arange(rows.size), 20):
            piece = rows.take(part)
            output, _ = engine.feed({0: piece})
            memory = msgspec.json.encode(Memory(offset=0, engine=msgspec.Raw(engine.snapshot(0))))
            checkpoint = Checkpoint(engine.reached(0), STATE_VERSION, engine.fingerprint(0), memory)
            store.commit(Batch(rows=[("intake-1", piece, np.ones(piece.size, bool))], events=output.events,
                               checkpoints={"intake-1": checkpoint}))  # fmt: skip
            events += output.events
    return config, events


def parts(text: str) -> dict[str, str]:
    """What was printed, by the name that each entry begins with."""
    out: dict[str, str] = {}
    for line in text.splitlines():
        name = line[:11].strip() or list(out)[-1]
        out[name] = f"{out[name]} {line[11:]}" if name in out else line[11:]
    return out


def say(event: str, capsys: pytest.CaptureFixture[str], **how: object) -> dict[str, str]:
    usual = {"config": None, "store": None, "folder": None, "plot": None, "replay": True}
    run_explain(event, **usual | how)  # type: ignore[arg-type]
    return parts(capsys.readouterr().out)


def test_an_event_of_a_store_is_explained_and_comes_out_of_the_stored_readings_again(told, tmp_path):
    config, events = told
    event = next(e for e in events if e.kind == "dp-limit")
    plot = tmp_path / "why.html"
    done = bagwright("explain", "dp-limit", "--config", config, "--plot", plot, cwd=tmp_path)
    assert_for_people(done)
    assert done.code == 0
    said = parts(done.out)
    assert said["event"] == "dp-limit raised, intake-1"
    assert said["id"] == event.id
    assert said["message"].startswith("River intake (intake-1, PT-101, PT-102): actual dP has been at or above")
    assert re.fullmatch(r"actual dP: 2\.[23]\d* bar; limit: 2\.04 bar", said["compared"])
    assert said["rule"].startswith("Raised when actual dP has been at or above 2.04 bar for 15 s")
    assert said["smallest"].startswith("difference from the limit that these transmitters can tell")
    assert re.fullmatch(r"[\d,]+ stored readings, from the checkpoint of 2025-03-01 .* UTC: the same event came out",
                        said["replayed"])  # fmt: skip
    page = plot.read_text(encoding="utf-8")
    assert page.count("<figure") >= 4 and "Normalised dP" in page and event.message[:40] in page
    assert not re.search(r'(?:src|href)="(?!data:|#)', page), "the page loads nothing from outside"


def test_an_event_told_in_a_silence_comes_out_again_although_no_reading_follows_it(told, capsys):
    config, _ = told
    said = say("signal-fault", capsys, config=config)
    assert said["event"].endswith("(stale)")
    assert said["replayed"].endswith("the same event came out")


def test_other_settings_than_the_checkpoints_are_said_and_what_then_differs(told, tmp_path, capsys):
    config, _ = told
    other = tmp_path / "other.toml"
    store = config.parent / "kept.db"
    text = config.read_text().replace('max_dp = "2.4 bar"', 'max_dp = "2.5 bar"')
    other.write_text(text.replace('"kept.db"', json.dumps(str(store))), encoding="utf-8")
    said = say("dp-limit", capsys, config=other)
    assert "of another version or other settings" in said["replayed"]
    assert said["replayed"].endswith("came out at the same time with another message")


def test_without_its_configuration_the_evidence_is_shown_all_the_same(told, tmp_path, capsys):
    config, _ = told
    plot = tmp_path / "why.html"
    said = say("dp-limit", capsys, store=config.parent / "kept.db", plot=plot)
    assert said["rule"] and said["replayed"].startswith("not run again")
    assert "<figure" in plot.read_text(encoding="utf-8")


def test_a_replays_folder_is_enough_and_a_time_names_an_event_as_well(told, tmp_path, capsys):
    _, events = told
    text = "".join(json.dumps(event_object(e)) + "\n" for e in events)
    (tmp_path / "events.jsonl").write_text(text, encoding="utf-8")
    said = say("2025-03-01T10:30", capsys, folder=tmp_path, plot=tmp_path / "p.html")
    assert said["event"] == "dp-limit raised, intake-1"
    assert "report.html" in said["beside"] and "█" in said["course"]
    assert "replayed" not in said


def test_an_event_survives_the_trip_through_its_file(told):
    _, events = told
    for event in events:
        assert event_of(json.loads(json.dumps(event_object(event)))) == event


def test_a_replay_writes_what_explain_reads(tmp_path):
    lines = [f"2025-03-01T{8 + i // 3600:02d}:{i // 60 % 60:02d}:{i % 60:02d}Z,{2 + (2.3 if i > 200 else 0.4)},2.0,40\n"
             for i in range(400)]  # fmt: skip
    (tmp_path / "r.csv").write_text(HEADER + "".join(lines), encoding="utf-8")
    done = bagwright("replay", "r.csv", "--config", skid(tmp_path), "--out", "out", cwd=tmp_path)
    assert done.code == 0
    done = bagwright("explain", "dp-limit", "--from", "out", cwd=tmp_path)
    assert done.code == 0 and "2.04 bar" in parts(done.out)["compared"]


@pytest.mark.parametrize(
    ("wanted", "says"),
    [
        ("intake-1", r"intake-1: \d+ events of .* fit; accepted: one of their ids\n  intake-1/.*"),
        ("intake-1/dp-limits/-/-/raised", r".*no event of .* the nearest are\n(.*\n)*  intake-1/dp-limit/-/.*"),
        ("zzz", r"zzz: no event of .* accepted: an id or a part that only one has; the last ones are\n  intake-1/.*"),
    ],
)  # fmt: skip
def test_an_unknown_or_ambiguous_event_is_answered_with_those_there_are(told, capsys, wanted, says):
    config, _ = told
    with pytest.raises(InputError) as error:
        say(wanted, capsys, config=config)
    assert re.match(says, str(error.value)), str(error.value)


def test_what_cannot_be_looked_in_is_named(told, tmp_path, capsys):
    config, _ = told
    for how, says in (
        ({}, "found no place to look in"),
        ({"folder": tmp_path, "store": tmp_path / "s.db"}, "--from and --store"),
        ({"folder": tmp_path}, "there is no such file"),
    ):
        with pytest.raises(InputError, match=says):
            say("x", capsys, **how)
    (tmp_path / "events.jsonl").write_text('{"time": 3}\n', encoding="utf-8")
    with pytest.raises(InputError, match=r"events\.jsonl:1: is no event"):
        say("x", capsys, folder=tmp_path)
    (tmp_path / "events.jsonl").write_text("", encoding="utf-8")
    with pytest.raises(InputError, match="holds no events"):
        say("x", capsys, folder=tmp_path)
    with pytest.raises(RunError, match="--plot"):
        say("dp-limit", capsys, config=config, plot=tmp_path / "none" / "p.html", replay=False)
