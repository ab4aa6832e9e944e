"""The life of one alarm against the standards' state diagram.

ISA-18.2-2016 / IEC 62682:2022, alarm state transition diagram: states A normal, B unacknowledged, C acknowledged,
D return-to-normal unacknowledged, E latched unacknowledged, F latched acknowledged, G shelved, H suppressed by
design, I out of service. Transcribed from memory.
"""

from __future__ import annotations

from itertools import product
from pathlib import Path

import pytest

from monitor.alarms.lifecycle import (
    ACTS,
    HIDINGS,
    MEMORIES,
    OWED,
    Position,
    RefusedError,
    State,
    Stimulus,
    moved,
    rows,
)
from monitor.alarms.table_text import transition_table

STANDARD = dict(zip("ABCDEFGHI", (
    State.NORMAL, State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.RETURNED, State.LATCHED_UNACKNOWLEDGED,
    State.LATCHED_ACKNOWLEDGED, State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE), strict=True))
ARROWS = {      # (from, stimulus, latching): to
    ("A", Stimulus.RAISED, False): "B", ("B", Stimulus.ACKNOWLEDGE, False): "C", ("C", Stimulus.CLEARED, False): "A",
    ("B", Stimulus.CLEARED, False): "D", ("D", Stimulus.ACKNOWLEDGE, False): "A", ("D", Stimulus.RAISED, False): "B",
    ("C", Stimulus.REALARMED, False): "B", ("B", Stimulus.CLEARED, True): "E", ("C", Stimulus.CLEARED, True): "F",
    ("E", Stimulus.ACKNOWLEDGE, True): "F", ("F", Stimulus.RESET, True): "A", ("E", Stimulus.RAISED, True): "B",
    ("F", Stimulus.RAISED, True): "B",
    **{(a, Stimulus.SHELVE, False): "G" for a in "ABCDEF"}, **{(a, Stimulus.REMOVE, False): "I" for a in "ABCDEFGH"},
    ("A", Stimulus.SUPPRESSED, False): "H", ("G", Stimulus.UNSHELVE, False): "A", ("H", Stimulus.RELEASED, False): "A",
    ("I", Stimulus.RETURN, False): "A", ("G", Stimulus.EXPIRED, False): "A",
}  # fmt: skip
EVERYWHERE = [(Position(m, h), s, latching) for m, h, s, latching in
              product(MEMORIES, (None, *HIDINGS), Stimulus, (False, True)) if h is not None or m is not State.AWAITING]


def standing(letter: str) -> Position:
    state = STANDARD[letter]
    return Position(State.NORMAL, state) if state in HIDINGS else Position(state)


def after(position: Position, stimulus: Stimulus, latching: bool) -> Position | None:
    """None where an operator is refused."""
    try:
        return moved(position, stimulus, latching=latching)
    except RefusedError:
        return None


@pytest.mark.parametrize(("start", "stimulus", "latching"), ARROWS)
def test_every_arrow_of_the_standards_diagram_is_there(start: str, stimulus: Stimulus, latching: bool) -> None:
    found = moved(standing(start), stimulus, latching=latching)
    assert found.shown is STANDARD[ARROWS[start, stimulus, latching]]


def test_what_comes_out_of_hiding_while_its_condition_stands_is_unacknowledged() -> None:
    ends = {State.SHELVED: Stimulus.UNSHELVE, State.SUPPRESSED: Stimulus.RELEASED,
            State.OUT_OF_SERVICE: Stimulus.RETURN}
    for hidden, end in ends.items():
        raised = moved(Position(State.NORMAL, hidden), Stimulus.RAISED, latching=False)
        assert raised.shown is hidden
        assert moved(raised, end, latching=False).shown is State.UNACKNOWLEDGED


def test_nothing_announced_is_lost_but_by_an_acknowledgement() -> None:
    for position, stimulus, latching in EVERYWHERE:
        found = after(position, stimulus, latching)
        if found is not None and position.memory in OWED and stimulus is not Stimulus.ACKNOWLEDGE:
            assert found.memory in OWED, (position, stimulus, latching)


def test_only_a_condition_that_stands_makes_an_alarm_and_only_hiding_hides_it() -> None:
    hides = {Stimulus.SHELVE: State.SHELVED, Stimulus.SUPPRESSED: State.SUPPRESSED,
             Stimulus.REMOVE: State.OUT_OF_SERVICE}
    for position, stimulus, latching in EVERYWHERE:
        found = after(position, stimulus, latching)
        if found is None:
            continue
        if found.hidden is not position.hidden:
            assert found.hidden is hides.get(stimulus), (position, stimulus)
        if position.memory is State.NORMAL and stimulus is not Stimulus.RAISED:
            assert found.memory is State.NORMAL, (position, stimulus)
        assert not (found.hidden is None and found.memory is State.AWAITING), (position, stimulus)


def test_a_hidden_alarm_can_be_neither_acknowledged_nor_reset() -> None:
    for position, stimulus, latching in EVERYWHERE:
        if position.hidden is not None and stimulus in (Stimulus.ACKNOWLEDGE, Stimulus.RESET):
            assert after(position, stimulus, latching) is None


def test_only_an_operator_is_refused_and_always_with_a_reason() -> None:
    for position, stimulus, latching in EVERYWHERE:
        if after(position, stimulus, latching) is None:
            assert stimulus in ACTS
            with pytest.raises(RefusedError, match=r"\w+ .*\w+"):
                moved(position, stimulus, latching=latching)


def test_a_latch_holds_until_it_is_reset_after_an_acknowledgement() -> None:
    position = Position()
    for stimulus in (Stimulus.RAISED, Stimulus.CLEARED):
        position = moved(position, stimulus, latching=True)
    with pytest.raises(RefusedError, match="acknowledge it first"):
        moved(position, Stimulus.RESET, latching=True)
    for stimulus in (Stimulus.ACKNOWLEDGE, Stimulus.RESET):
        position = moved(position, stimulus, latching=True)
    assert position == Position()


def test_the_documents_print_the_table_that_the_program_runs() -> None:
    assert len(rows(latching=False)) == 1 + 6 + len(HIDINGS)
    text = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert transition_table() in text
