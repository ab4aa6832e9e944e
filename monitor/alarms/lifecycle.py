"""The life of one alarm by ISA-18.2 / IEC 62682: states, what moves it, and the table of moves.

An alarm has a condition with an acknowledgement (six states), and may be hidden from the control room (three states).
While it is hidden its condition goes on being followed: `memory` is the state that it would show. Nothing that was
announced leaves the unacknowledged states but by an acknowledgement. State names and moves follow the standards'
state diagram (from memory); what they leave to the site is decided here and said beside the row.

>>> position = Position()
>>> for stimulus in (Stimulus.RAISED, Stimulus.CLEARED, Stimulus.ACKNOWLEDGE):
...     position = moved(position, stimulus, latching=False)
...     print(position.shown)
unacknowledged
returned-unacknowledged
normal
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple


class State(StrEnum):
    """What an alarm shows. AWAITING is never shown: raised while hidden, to be announced when that ends."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned-unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched-unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched-acknowledged"
    AWAITING = "awaiting"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed-by-design"
    OUT_OF_SERVICE = "out-of-service"


class Stimulus(StrEnum):
    """What moves an alarm: its condition, its own times, its designer, its operator."""

    RAISED = "raised"
    CLEARED = "cleared"
    GROWN = "grown"                     # the same alarm means more: another cause, a suspicion that became likely
    REALARMED = "re-alarmed"            # acknowledged and still there after the kind's `re_alarm`
    SUPPRESSED = "suppressed"
    RELEASED = "released"               # what it followed from is over
    EXPIRED = "shelf-expired"
    ACKNOWLEDGE = "ack"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    REMOVE = "out-of-service"
    RETURN = "in-service"


OWED = frozenset({State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED_UNACKNOWLEDGED})
MEMORIES = (State.NORMAL, State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.RETURNED, State.LATCHED_UNACKNOWLEDGED,
            State.LATCHED_ACKNOWLEDGED, State.AWAITING)
HIDINGS = (State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE)
ACTS = (Stimulus.ACKNOWLEDGE, Stimulus.RESET, Stimulus.SHELVE, Stimulus.UNSHELVE, Stimulus.REMOVE, Stimulus.RETURN)


class RefusedError(ValueError):
    """An operator's action that the state does not allow; the text says why."""


class Position(NamedTuple):
    """Where an alarm stands. hidden None: in view."""

    memory: State = State.NORMAL
    hidden: State | None = None

    @property
    def shown(self) -> State:
        return self.memory if self.hidden is None else self.hidden


N, U, A, R = State.NORMAL, State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.RETURNED
LU, LA, W = State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED, State.AWAITING
_UNMOVED: dict[State, State] = {}

# From -> to; what is not named stays. A latching kind has a column of its own where it differs.
IN_VIEW: dict[Stimulus, dict[State, State]] = {
    Stimulus.RAISED: {N: U, A: U, R: U, LU: U, LA: U},
    Stimulus.CLEARED: {U: R, A: N},
    Stimulus.GROWN: {A: U},
    Stimulus.REALARMED: {A: U},
    Stimulus.ACKNOWLEDGE: {U: A, R: N, LU: LA},
    Stimulus.RESET: {LA: N},
}
HIDDEN: dict[Stimulus, dict[State, State]] = {
    Stimulus.RAISED: {N: W, A: W, R: U, LU: U, LA: W},
    Stimulus.CLEARED: {U: R, A: N, W: N},
    Stimulus.GROWN: {A: W},
    Stimulus.REALARMED: _UNMOVED,
}
LATCHING_CLEARED: dict[State, State] = {U: LU, A: LA, W: LU}

# Ending a shelf or a time out of service announces again what is there: that was the point of a limited time.
# When a suppression ends, only what was never announced is.
SURFACED: dict[Stimulus, dict[State, State]] = {
    Stimulus.UNSHELVE: {W: U, A: U},
    Stimulus.EXPIRED: {W: U, A: U},
    Stimulus.RETURN: {W: U, A: U},
    Stimulus.RELEASED: {W: U},
}
# From hidden (None: in view) -> to. What is not named stays, or is refused where an operator asked for it.
HIDING: dict[Stimulus, dict[State | None, State | None]] = {
    Stimulus.SHELVE: {None: State.SHELVED, State.SUPPRESSED: State.SHELVED, State.SHELVED: State.SHELVED},
    Stimulus.UNSHELVE: {State.SHELVED: None},
    Stimulus.EXPIRED: {State.SHELVED: None},
    Stimulus.SUPPRESSED: {None: State.SUPPRESSED},
    Stimulus.RELEASED: {State.SUPPRESSED: None},
    Stimulus.REMOVE: {None: State.OUT_OF_SERVICE, State.SHELVED: State.OUT_OF_SERVICE,
                      State.SUPPRESSED: State.OUT_OF_SERVICE},
    Stimulus.RETURN: {State.OUT_OF_SERVICE: None},
}

WHY_NOT: dict[tuple[Stimulus, State], str] = {
    (Stimulus.ACKNOWLEDGE, N): "there is nothing to acknowledge: it is normal",
    (Stimulus.ACKNOWLEDGE, A): "it is acknowledged already",
    (Stimulus.ACKNOWLEDGE, LA): "it is acknowledged already; it is latched and waits for a reset",
    (Stimulus.RESET, N): "there is nothing to reset: it is normal",
    (Stimulus.RESET, U): "its condition still stands",
    (Stimulus.RESET, A): "its condition still stands",
    (Stimulus.RESET, R): "it is not latched: an acknowledgement ends it",
    (Stimulus.RESET, LU): "acknowledge it first",
}
IN_THE_WAY: dict[State, str] = {
    State.SHELVED: "it is shelved: unshelve it first",
    State.SUPPRESSED: "it is suppressed by design, as the consequence of another alarm: act on that one",
    State.OUT_OF_SERVICE: "it is out of service: return it to service first",
}
NOT_HIDDEN: dict[Stimulus, str] = {
    Stimulus.UNSHELVE: "it is not shelved",
    Stimulus.RETURN: "it is not out of service",
    Stimulus.REMOVE: "it is out of service already",
    Stimulus.SHELVE: "it is out of service: return it to service first",
}


def moved(position: Position, stimulus: Stimulus, *, latching: bool) -> Position:
    """The position after a stimulus, the same where it changes nothing. Raises RefusedError for an operator's action
    that is not possible there."""
    if stimulus in HIDING:
        return _hidden(position, stimulus)
    if position.hidden is None:
        table = IN_VIEW[stimulus]
    elif stimulus in ACTS:
        raise RefusedError(IN_THE_WAY[position.hidden])
    else:
        table = HIDDEN[stimulus]
    if stimulus is Stimulus.CLEARED and latching:
        table = LATCHING_CLEARED
    memory = table.get(position.memory)
    if memory is None and stimulus in ACTS:
        raise RefusedError(WHY_NOT[stimulus, position.memory])
    return position._replace(memory=memory or position.memory)


def _hidden(position: Position, stimulus: Stimulus) -> Position:
    moves = HIDING[stimulus]
    if position.hidden not in moves:
        if stimulus in ACTS:
            raise RefusedError(NOT_HIDDEN[stimulus])
        return position
    surfaced = SURFACED.get(stimulus, _UNMOVED)
    return Position(surfaced.get(position.memory, position.memory), moves[position.hidden])


def rows(*, latching: bool) -> list[tuple[str, ...]]:
    """The table of moves as it is printed: a row for each state that is shown, a column for each stimulus; `-` stays,
    `refused` for an operator's action that is not possible. Hidden states stand for an alarm that was normal."""
    shown = [Position(m) for m in MEMORIES if m is not W] + [Position(N, h) for h in HIDINGS]
    return [("state", *Stimulus), *((str(p.shown), *(_cell(p, s, latching) for s in Stimulus)) for p in shown)]


def _cell(position: Position, stimulus: Stimulus, latching: bool) -> str:
    try:
        after = moved(position, stimulus, latching=latching)
    except RefusedError:
        return "refused"
    return "-" if after == position else str(after.shown)
