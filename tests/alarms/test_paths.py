"""Every path through the life of alarms, by hypothesis: none loses an unacknowledged alarm, and none depends on
restarts or on how time is cut."""

from __future__ import annotations

from typing import Any

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from monitor.alarms.lifecycle import OWED, RefusedError, State
from monitor.settings import RuleSettings
from tests.alarms.plant import HOUR, Room, at, event, fault

TARGETS = ("s/dp-limit", "s/element-breach", "s/changeout-due", "s/changeout-suspect/v0", "s/signal-fault/in",
           "s/signal-fault/out")
KINDS = {t: t.split("/")[1] for t in TARGETS}
RULES = (RuleSettings("now", ("a",)), RuleSettings("later", ("b",), after_s=900))


class Paths(RuleBasedStateMachine):
    """Two rooms are told the same; one of them is restarted and its time is cut otherwise."""

    @initialize()
    def begin(self) -> None:
        self.room, self.other = Room(RULES), Room(RULES)
        self.clock = 0.0
        self.active: dict[str, int] = {}        # raised by the plant and not cleared
        self.owed: dict[str, str] = {}          # announced to the control room and not acknowledged
        self.hidden: set[str] = set()           # by an operator

    def told(self, target: str, transition: str, **more: Any) -> None:
        where = target.split("/")[2:]
        if KINDS[target] == "signal-fault":
            one = fault(self.clock, where[0], "stale", transition, onset=at(self.clock - 60))
        else:
            vessel = where[0] if where else None
            detail = {"changeout-suspect": "resistance-low", "element-breach": "in-service"}.get(KINDS[target])
            one = event(self.clock, KINDS[target], transition, vessel=vessel, detail=detail, **more)
        for room in (self.room, self.other):
            room.events(one)
        self.look()

    @rule(name=st.sampled_from(TARGETS), grade=st.sampled_from(["suspected", "likely"]))
    def raised(self, name: str, grade: str) -> None:
        self.clock += 1
        if name not in self.active:
            self.active[name] = 1
            self.told(name, "raised", **({"grade": grade} if name == "s/element-breach" else {}))

    @rule(name=st.sampled_from(TARGETS))
    def cleared(self, name: str) -> None:
        self.clock += 1
        if self.active.pop(name, None):
            self.told(name, "cleared")

    @rule()
    def grown(self) -> None:
        self.clock += 1
        if "s/element-breach" in self.active:
            self.told("s/element-breach", "noted", grade="likely")

    @rule(verb=st.sampled_from(["ack", "reset", "shelve", "unshelve", "out-of-service", "in-service"]),
          name=st.sampled_from(TARGETS))
    def acts(self, verb: str, name: str) -> None:
        self.clock += 1
        self.pass_time()
        outcomes = []
        for room in (self.room, self.other):
            try:
                outcomes.append(room.act(verb, name, self.clock, **({"for_s": 1800} if verb == "shelve" else {})))
            except RefusedError as error:
                outcomes.append(str(error))
                room.collect()
        assert outcomes[0] == outcomes[1]
        if verb == "ack" and outcomes[0].startswith("acknowledged"):
            self.owed.pop(name, None)
        self.look()

    @rule(seconds=st.sampled_from([1, 60, 700, 1800, 9 * HOUR]))
    def time_passes(self, seconds: int) -> None:
        for part in (0.3, 0.7):
            self.other.pass_to(self.clock + part * seconds)
        self.clock += seconds
        self.pass_time()
        self.look()

    def pass_time(self) -> None:
        for room in (self.room, self.other):
            room.pass_to(self.clock)

    @rule()
    def restarts(self) -> None:
        self.other.restarted()

    def look(self) -> None:
        """What has been announced is owed until it is acknowledged."""
        for alarm in self.room.desk.alarms["s"].values():
            if alarm.owed:
                self.owed.setdefault(alarm.id, str(alarm.shown))

    @invariant()
    def nothing_announced_is_lost(self) -> None:
        known = {a.id: a for a in self.room.desk.alarms["s"].values()} if hasattr(self, "room") else {}
        for target in getattr(self, "owed", {}):
            assert known[target].memory in OWED, target

    @invariant()
    def nothing_that_stands_is_silent_without_a_reason(self) -> None:
        for target in getattr(self, "active", {}):
            alarm = self.room.alarm(target)
            assert alarm.shown is not State.NORMAL
            if alarm.hidden is State.SUPPRESSED:
                assert self.room.alarm(str(alarm.cause)).active or alarm.release_at is not None

    @invariant()
    def a_restart_shows_nowhere(self) -> None:
        if hasattr(self, "room"):
            assert self.room.states == self.other.states
            assert self.room.entries == self.other.entries
            assert self.room.pushes == self.other.pushes

    @invariant()
    def no_line_of_the_journal_and_no_push_has_another_ones_name(self) -> None:
        if hasattr(self, "room"):
            names = [e.id for e in self.room.entries]
            keys = [(p.rule, p.entry, p.reason) for p in self.room.pushes]
            assert len(set(names)) == len(names) and len(set(keys)) == len(keys)


TestPaths = Paths.TestCase
TestPaths.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
