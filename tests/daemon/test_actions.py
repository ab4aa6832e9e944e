"""What a person asks through the store becomes an action of the engine, once, at its place also when run again."""

from __future__ import annotations

import numpy as np

from monitor.daemon.keeper import Keeper
from monitor.engine.engine import Engine
from monitor.model import NS, Action
from monitor.settings import Settings
from monitor.store import Batch, Store, submit
from tests.daemon.rig import rig, with_changeout_dp
from tests.engine.test_trims import ASKED, HOURS, shifted
from tests.skids import START, duplex, steady

SKID = duplex()


def ask(folder, verb: str, now: int, **body: str) -> int:
    return submit(str(folder / "rig.db"), "s", verb, {"signal": "out", **body}, now)


def part(rows, since: float, until: float):
    return rows.take((rows.time >= START + since * NS) & (rows.time < START + until * NS))


def test_an_action_is_answered_kept_and_done_again_at_the_same_place_when_the_state_is_lost(tmp_path):
    rows = shifted()
    with rig(tmp_path, SKID, START) as first:
        first.hear(part(rows, 0, ASKED))
        number = ask(tmp_path, "trim-approve", first.daemon.clock(), by="A. Trout", reason="manifold")
        first.hear(part(rows, ASKED, ASKED + 300))
        (request,) = first.store.requests()
        assert request.id == number and request.answer.startswith("the trim of out, 0.1")
        (action,) = first.store.actions("s")
        assert (action.verb, action.by, action.number) == ("trim-approve", "A. Trout", number)
        assert first.store.facts("s")["trim/out"].value["state"] == "approved"
        first.stop()
        now, trim = first.daemon.clock(), first.daemon.engine.rows.state.sensor[0, 1].trim
    with rig(tmp_path, SKID, now) as second:    # from its checkpoint: not applied twice
        assert second.daemon.engine.acted(0) == number
        assert second.daemon.engine.rows.state.sensor[0, 1].trim == trim
        second.hear(part(rows, ASKED + 300, ASKED + 600))
        second.stop()
        now = second.daemon.clock()
    with rig(tmp_path, with_changeout_dp(SKID, 0.9), now) as third:    # from readings and actions alone
        assert third.daemon.engine.acted(0) == number
        assert third.daemon.engine.rows.state.sensor[0, 1].trim == trim
        third.hear(part(rows, ASKED + 600, HOURS * 3600))
        lived = [(e.id, e.message) for e in reversed(third.store.events()) if e.kind == "signal-fault"]
    straight, body = Engine([SKID]), {"signal": "out"}
    events = straight.feed({0: rows.take(rows.time <= action.time)})[0].events
    events += straight.act(0, Action(action.time, "s", "trim-approve", "A. Trout", "manifold", body, number)).events
    events += straight.feed({0: rows.take(rows.time > action.time)})[0].events + straight.finish().events
    assert lived == [(e.id, e.message) for e in events if e.kind == "signal-fault"]


def test_what_was_asked_of_a_stopped_daemon_is_done_when_it_starts(tmp_path):
    rows = shifted()
    with rig(tmp_path, SKID, START) as first:
        first.hear(part(rows, 0, ASKED))
        first.stop()
        now = first.daemon.clock()
    ask(tmp_path, "trim-approve", now, by="A. Trout")
    ask(tmp_path, "trim-undo", now, by="A. Trout")
    ask(tmp_path, "trim-undo", now)
    ask(tmp_path, "trim-approve", now, by="A. Trout", signal="in")
    with rig(tmp_path, SKID, now + 5 * NS) as second:
        second.daemon.clock.now += 5 * NS
        second.round()
        assert second.store.requests(open_only=True) == []
        said = [r.answer for r in reversed(second.store.requests())]
        assert said[0].endswith("is approved") and said[1].endswith("is undone")
        assert said[2] == "refused: it does not say by whom"
        assert said[3] == "refused: no trim of in is proposed; nothing was changed"
        states = [f.value["state"] for f in second.store.fact_history("s", "trim/out")]
        assert states[-1] == "undone"


def test_a_changeout_that_somebody_tells_is_the_engines_and_the_records_also_when_the_state_is_lost(tmp_path):
    rows = steady(np.full(4_000, 0.5), flow=40 + np.random.default_rng(1).normal(0, 0.1, 4_000))
    body = {"who": "Ada", "target": "s/v0", "at": START + 1_000 * NS, "part": "25 um felt", "via": "command line"}
    with rig(tmp_path, SKID, START) as first:
        first.hear(part(rows, 0, 3_000))
        number = submit(str(tmp_path / "rig.db"), "s", "changed", body, first.daemon.clock())
        first.hear(part(rows, 3_000, 3_010))
        assert first.store.request(number).answer.endswith("if anything was.")
        (event,) = first.store.events(kinds=["changeout-done"])
        assert (event.vessel, event.detail) == ("v0", "unverified")
        assert [e.vessel for e in first.store.journal(steps=["changed"])] == ["v0"]
        fact = first.store.facts("s")[f"changeout/{START + 1_000 * NS}"]
        assert (fact.value["part"], fact.value["who"], fact.value["seen"]) == ("25 um felt", "Ada", False)
        first.stop()
        now = first.daemon.clock()
    with rig(tmp_path, with_changeout_dp(SKID, 0.9), now) as again:
        assert again.daemon.engine.acted(0) == number
        assert again.daemon.engine.events.stories[0].vessels[0].part == "25 um felt"
        assert len(again.store.events(kinds=["changeout-done"])) == 1


def test_what_is_told_while_no_daemon_runs_is_the_engines_when_one_starts(tmp_path):
    rows = steady(np.full(4_000, 0.5))
    with rig(tmp_path, SKID, START) as first:
        first.hear(part(rows, 0, 3_000))
        first.stop()
        now = first.daemon.clock()
    body = {"who": "Ada", "target": "s/v1", "at": START + 1_000 * NS}
    submit(str(tmp_path / "rig.db"), "s", "changed", body, now)
    with Store.open(tmp_path / "rig.db", now=lambda: now) as store:
        batch = Batch()
        Keeper(Settings((SKID,)), store, lambda: now, lambda skid: now).fill(batch)
        store.commit(batch)
        assert "when it starts" in store.requests()[0].answer
    with rig(tmp_path, SKID, now) as second:
        (event,) = second.store.events(kinds=["changeout-done"])
        assert event.vessel == "v1" and second.daemon.engine.acted(0) == 1
