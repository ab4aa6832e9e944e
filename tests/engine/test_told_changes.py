"""A changeout that somebody tells of: joined to the one that was seen, or kept as told."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.engine.engine import Engine, Output
from monitor.model import NS, Action, Event, Rows
from monitor.skid import SkidSettings
from tests.engine.afternoon import CLEAN, OUT, Part, rows_of, skid_of
from tests.skids import START

OLD = (0.8, 0.7)
LEAVES, RETURNS = 1_500, 2_400
NAN = float("nan")
GONE_S = 1_800
AGAIN = LEAVES + GONE_S
BOTH = [Part(LEAVES, OLD), Part(900, (OUT, OLD[1])), Part(4_000, (CLEAN, OLD[1]))]
AWAY = [Part(LEAVES, OLD), Part(GONE_S, OLD, heard=False), Part(3_600, (CLEAN, OLD[1]))]
FELT = {"vessel": "v0", "part": "25 um felt"}


def seen_in_the_vessel() -> list[Part]:
    return [Part(LEAVES, OLD), Part(60, (OUT, OLD[1]), own=(1.0, NAN)), Part(780, (OUT, OLD[1]), own=(0.0, NAN)),
            Part(60, (OUT, OLD[1]), own=(1.0, NAN)), Part(4_000, (CLEAN, OLD[1]))]  # fmt: skip


class Watched:
    """An engine that hears rows, and what people tell between them."""

    def __init__(self, parts: list[Part], *, own: bool = False) -> None:
        self.skid: SkidSettings = skid_of(2, own=own)
        self.rows: Rows = rows_of(parts, own=own)
        self.engine, self.output, self.number = Engine([self.skid]), Output(), 0

    def until(self, second: float | None = None) -> None:
        now = self.rows.time <= (1 << 62 if second is None else START + round(second * NS))
        self.output.join(self.engine.feed({0: self.rows.take(now)})[0])
        self.rows = self.rows.take(~now)

    def tell(self, at: float, **body: Any) -> str:
        self.number += 1
        action = Action(self.engine.reached(0), self.skid.id, "changed", "Ada", "",
                        {"at": START + round(at * NS), **body}, self.number)  # fmt: skip
        came = self.engine.act(0, action)
        self.output.join(came)
        return came.answers[-1].text

    def again(self) -> None:
        """The state through its snapshot."""
        snapshot = self.engine.snapshot(0)
        self.engine = Engine([self.skid])
        self.engine.restore(0, snapshot)

    def events(self, kind: str) -> list[Event]:
        return [e for e in self.output.events if e.kind == kind]

    @property
    def done(self) -> list[Event]:
        return self.events("changeout-done")

    def fitted(self) -> dict[str, tuple[str, str]]:
        """By vessel: what is in it, and who told."""
        return {life.vessel or "": (life.part, life.fitted_by) for life in self.engine.open_lives(0)}


@pytest.mark.parametrize("at", [LEAVES + 300, RETURNS + 20])
def test_what_is_told_before_the_verdict_is_said_with_it(at):
    w = Watched(BOTH)
    w.until(RETURNS + 60)
    assert w.tell(at, **FELT).startswith("no changeout has been seen yet")
    w.again()
    w.until()
    (event,) = w.done
    assert event.detail == "good" and event.vessel is None, "which one the headers still do not tell"
    assert "It was vessel v0, Ada tells, with 25 um felt." in event.message
    assert event.evidence["told"]["part"] == "25 um felt"
    assert w.fitted()["v0"] == ("25 um felt", "Ada") and w.fitted()["v1"] == ("", "")


@pytest.mark.parametrize("own", [False, True])
def test_what_is_told_after_the_verdict_joins_the_record_and_makes_no_second_one(own):
    w = Watched(seen_in_the_vessel() if own else BOTH, own=own)
    w.until(RETURNS + 1_500)
    assert w.tell(RETURNS, **FELT).startswith("it belongs to the changeout seen from")
    assert w.tell(RETURNS - 60, vessel="v0", part="10 um felt").startswith("it belongs"), "a correction"
    w.until()
    assert len(w.done) == 1
    facts = [f for f in w.output.facts if f.key.startswith("changeout/")]
    assert [f.value["part"] for f in facts] == ["25 um felt", "10 um felt"] and len({f.key for f in facts}) == 1
    assert w.fitted()["v0"] == ("10 um felt", "Ada")
    assert w.engine.open_lives(0)[0].since is not None


def test_another_vessel_than_the_one_that_was_seen_stands_as_told_and_leaves_what_was_seen():
    w = Watched(seen_in_the_vessel(), own=True)
    w.until(RETURNS + 600)
    w.tell(RETURNS, vessel="v1", part="felt")
    w.until()
    seen, told = w.done
    assert (seen.vessel, seen.detail, "told" in seen.evidence) == ("v0", "good", False)
    assert (told.vessel, told.detail) == ("v1", "unverified")
    assert "as Ada tells, with felt" in told.message and "show no changeout of it" in told.message
    assert told.time >= START + (RETURNS + 1_200) * NS, "not before it might still have been seen"
    assert w.fitted() == {"v0": ("", ""), "v1": ("felt", "Ada")}


def test_nothing_of_it_seen_it_stands_once_and_a_new_life_begins():
    w = Watched([Part(8_000, OLD)])
    w.until(3_000)
    w.tell(2_900, **FELT)
    w.tell(2_950, **FELT)
    w.until()
    (told,) = w.done
    assert told.evidence["seen"] is False and told.onset == START + 2_950 * NS and told.value is None
    assert w.fitted()["v0"] == ("25 um felt", "Ada")
    (life,) = [x for x in w.engine.open_lives(0) if x.vessel == "v0"]
    assert life.hours == pytest.approx((8_000 - 2_950) / 3_600, rel=0.02)


def test_a_changeout_while_the_monitor_was_off_looks_like_a_tear_until_it_is_told():
    w = Watched(AWAY)
    w.until(AGAIN + 900)
    (breach,) = w.events("element-breach")
    assert (breach.transition, breach.detail) == ("raised", "after-restart")
    w.tell(LEAVES + 600, **FELT)
    w.until()
    _, cleared = w.events("element-breach")
    assert cleared.transition == "cleared" and "vessel v0 was changed meanwhile" in cleared.message
    (told,) = w.done
    assert (told.vessel, told.detail) == ("v0", "unverified") and "Nothing is at hand of what was read" in told.message


def test_told_before_the_monitor_looks_again_it_raises_nothing():
    w = Watched(AWAY)
    w.until(LEAVES - 1)
    w.tell(LEAVES + 600, **FELT)
    w.again()
    w.until()
    assert w.events("element-breach") == []
    assert [(e.vessel, e.detail) for e in w.done] == [("v0", "unverified")]


def test_one_told_for_another_day_explains_no_loss():
    w = Watched(AWAY)
    w.until(LEAVES - 1)
    w.tell(200, **FELT)
    w.until(AGAIN + 900)
    assert [e.transition for e in w.events("element-breach")] == ["raised"]
