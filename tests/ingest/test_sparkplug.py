"""Sparkplug B as it comes in, against Eclipse Sparkplug 3.0.0: payloads are made by the classes generated from its own
definition."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.ingest.mqtt import Message
from monitor.ingest.sparkplug.host import SparkplugHost
from monitor.ingest.sparkplug.node import BIRTH_S, REORDER_S
from monitor.model import NS, Reason, Role
from monitor.skid import Payload, Signal, SparkplugPlace
from tests.sparkplug_edge import (
    BOOLEAN,
    FLOAT,
    INT8,
    INT16,
    INT32,
    INT64,
    STRING,
    UINT64,
    bd_seq,
    metric,
    payload,
    spb,
)

AT = 1_750_000_000 * NS
MS = AT // 1_000_000


def signal(name: str, metric_name: str, device: str | None = "d", raw: tuple[float, float] | None = None) -> Signal:
    place = SparkplugPlace("g", "n", metric_name, device, raw)
    return Signal(name, Role.INLET_PRESSURE, place.address, "bar", 0.0, 10.0, 1e5, 0.0, payload=Payload(), place=place)


class Line:
    """Messages to a host, a second apart unless said otherwise, and what it made of them."""

    def __init__(self, *signals: Signal) -> None:
        self.host = SparkplugHost(signals or (signal("in", "Inlet"), signal("node", "Own", None)))
        self.now = AT

    def say(self, kind: str, body: bytes, *, retain: bool = False, after: float = 0.0) -> list[tuple[Any, ...]]:
        self.now += round(after * NS)
        device = "/d" if kind.startswith("D") else ""
        message = Message(f"spBv1.0/g/{kind}/n{device}", body, retain, self.now, 1, 0, 0)
        return [*told(self.host.pass_time(self.now)), *told(self.host.take(message))]

    def wait(self, seconds: float) -> list[tuple[Any, ...]]:
        self.now += round(seconds * NS)
        return told(self.host.pass_time(self.now))

    def asks(self) -> bool:
        return bool(list(self.host.requests(self.now)))

    def birth(self, *, bd: int = 7, seq: int = 0, alias: int = 5, name: str = "Inlet") -> list[tuple[Any, ...]]:
        """Of the node, and then of the device."""
        came = self.say("NBIRTH", payload([bd_seq(bd)], seq, MS))
        born = [metric(1.0, name=name, alias=alias, ms=MS), metric(0.0, name="Other", alias=alias + 1, ms=MS)]
        return [*came, *self.say("DBIRTH", payload(born, seq + 1, MS))]

    def data(self, value: float | None, seq: int, alias: int = 5, **more: Any) -> list[tuple[Any, ...]]:
        return self.say("DDATA", payload([metric(value, alias=alias, ms=MS + seq, datatype=0, **more)], seq))


def told(messages: Any) -> list[tuple[Any, ...]]:
    """(address, value, time in ms, quality) of a reading; (reason,) of a refusal."""
    out: list[tuple[Any, ...]] = []
    for m in messages:
        if m.reason is not None:
            out.append((m.reason,))
            continue
        body = json.loads(m.payload)
        out.append((m.topic.rpartition("/")[2], body["value"], body.get("time", 0) // 1_000_000,
                    body.get("quality", "good")))
    return out


def test_a_birth_gives_values_and_aliases_and_data_comes_by_them():
    line = Line()
    assert line.birth() == [("Inlet", 1.0, MS, "good")]
    assert line.data(2.5, 2) == [("Inlet", 2.5, MS + 2, "good")]
    assert line.say("NDATA", payload([metric(4.5, name="Own", ms=MS)], 3)) == [("Own", 4.5, MS, "good")]
    assert line.data(9.0, 4, alias=6) == []     # a metric that no signal is bound to


def test_a_node_that_was_not_born_is_asked_for_its_birth_and_its_data_is_refused():
    line = Line()
    assert line.asks()
    assert line.data(2.5, 2) == [(Reason.NO_BIRTH,)]
    assert not line.asks()      # a moment ago it was
    line.wait(6)
    assert line.asks()
    line.wait(6)
    assert not line.asks()      # twice as long from time to time
    line.birth()
    line.wait(100)
    assert not line.asks()


def test_a_device_that_was_not_born_likewise():
    line = Line()
    line.asks()
    line.say("NBIRTH", payload([bd_seq(0)], 0, MS))
    assert line.data(2.5, 1) == [(Reason.NO_BIRTH,)]
    line.wait(10)
    assert line.asks()


def test_what_overtakes_is_taken_in_order():
    line = Line()
    line.birth()
    assert line.data(3.0, 3) == [] and line.data(4.0, 4) == []
    assert [r[1] for r in line.data(2.0, 2)] == [2.0, 3.0, 4.0]
    line.wait(60)
    assert line.data(5.0, 5)[0][1] == 5.0


def test_the_sequence_goes_round():
    line = Line()
    line.birth(seq=253)
    assert [line.data(1.0, n % 256)[0][1] for n in (255, 256, 257)] == [1.0] * 3


def test_after_a_gap_a_birth_is_asked_for_and_what_was_held_is_taken_when_it_means_the_same():
    line = Line()
    line.asks()
    line.birth()
    line.wait(10)
    assert line.data(3.0, 3) == [] and not line.asks()
    assert line.wait(REORDER_S + 0.1) == [] and line.asks()
    assert line.data(4.0, 4) == []
    assert [(r[1], r[2] - MS) for r in line.birth()] == [(1.0, 0), (3.0, 3), (4.0, 4)]
    assert line.data(5.0, 2)[0][1] == 5.0


def test_after_a_gap_nothing_is_taken_for_another_metric():
    line = Line()
    line.birth()
    line.data(3.0, 3)       # alias 5 was the inlet
    line.wait(REORDER_S + 0.1)
    assert line.birth(alias=8) == [("Inlet", 1.0, MS, "good"), (Reason.SEQUENCE_GAP,)]
    line.data(3.0, 3, alias=8)
    line.wait(REORDER_S + 0.1)
    assert line.birth(alias=8, name="Outlet") == [(Reason.SEQUENCE_GAP,)]


def test_what_is_held_is_given_up_when_no_birth_comes():
    line = Line()
    line.birth()
    line.data(3.0, 3)
    assert line.wait(REORDER_S + 0.1) == []
    assert line.wait(BIRTH_S) == [(Reason.SEQUENCE_GAP,)]


def test_a_death_of_the_node_is_of_all_its_signals_and_a_birth_revives_them():
    line = Line()
    line.birth(bd=7)
    gone = line.say("NDEATH", payload([bd_seq(7)], None), after=60)
    assert gone == [("Inlet", None, 0, "gone"), ("Own", None, 0, "gone")]
    assert line.data(2.0, 2) == [(Reason.NO_BIRTH,)]
    # The birth says what holds now, though the value was measured before.
    line.say("NBIRTH", payload([bd_seq(8)], 0, MS + 90_000))
    born = payload([metric(1.0, name="Inlet", alias=5, ms=MS)], 1, MS + 90_000)
    assert line.say("DBIRTH", born) == [("Inlet", 1.0, MS + 90_000, "good")]


def test_the_death_of_an_earlier_session_is_none():
    line = Line()
    line.birth(bd=7)
    assert line.say("NDEATH", payload([bd_seq(6)], None)) == []
    assert line.data(2.0, 2)[0][1] == 2.0


def test_a_death_of_a_node_not_known_counts_unless_a_birth_follows():
    line = Line()
    assert line.say("NDEATH", payload([bd_seq(6)], None)) == []
    assert [r[3] for r in line.wait(BIRTH_S + 1)] == ["gone", "gone"]
    other = Line()
    other.say("NDEATH", payload([bd_seq(6)], None))
    other.birth(bd=7)
    assert other.wait(BIRTH_S + 1) == []


def test_a_death_of_the_device_is_of_its_signals_only():
    line = Line()
    line.birth()
    assert line.say("DDEATH", payload([], 2, MS)) == [("Inlet", None, 0, "gone")]
    assert line.data(2.0, 3) == [(Reason.NO_BIRTH,)]
    assert line.say("NDATA", payload([metric(4.5, name="Own", ms=MS)], 4)) == [("Own", 4.5, MS, "good")]


def test_null_quality_and_history():
    line = Line()
    line.birth()
    assert line.data(None, 2) == [("Inlet", None, MS + 2, "good")]
    assert [line.data(2.0, n, quality=q)[0][3] for n, q in ((3, 0), (4, 192), (5, 500), (6, 77))] == [
        "bad", "good", "gone", "uncertain"]
    assert line.data(2.0, 7, historical=True) == [("Inlet", 2.0, MS + 7, "good")]
    timeless = payload([metric(2.0, alias=5, datatype=0, historical=True)], 8)
    assert line.say("DDATA", timeless) == [(Reason.BAD_TIME,)]


@pytest.mark.parametrize(("datatype", "value"), [
    (INT8, -5), (INT16, -300), (INT32, -70_000), (INT64, -(2**40)), (UINT64, 2**63 + 1), (BOOLEAN, True),
    (STRING, "I/O Timeout"), (FLOAT, 2.5)])  # fmt: skip
def test_numbers_of_every_type_keep_their_sign(datatype, value):
    """Chapter 6.4.16: signed integers are two's complement in the unsigned fields."""
    line = Line()
    line.say("NBIRTH", payload([bd_seq(0)], 0, MS))
    born = payload([metric(value, name="Inlet", alias=5, datatype=datatype, ms=MS)], 1)
    assert line.say("DBIRTH", born)[0][1] == value


def test_raw_counts_are_scaled_to_the_range():
    line = Line(signal("in", "Inlet", raw=(4.0, 20.0)))
    line.birth()
    assert line.data(12.0, 2)[0][1] == 5.0


def test_what_cannot_be_read_is_refused_with_its_reason():
    line = Line()
    line.birth()
    empty = spb.Payload(seq=2)
    empty.metrics.add(alias=5)
    table = spb.Payload(seq=3)
    table.metrics.add(alias=5).dataset_value.num_of_columns = 1
    assert line.say("DDATA", empty.SerializeToString()) == [(Reason.UNDECODABLE,)]
    assert line.say("DDATA", table.SerializeToString()) == [(Reason.UNDECODABLE,)]
    assert line.say("DDATA", b"not a payload") == [(Reason.UNDECODABLE,)]
    assert line.say("DDATA", payload([], None)) == [(Reason.UNDECODABLE,)]
    assert line.data(1.0, 4, alias=99) == [(Reason.NO_BIRTH,)]
    assert line.say("NBIRTH", payload([bd_seq(0)], 0), retain=True) == [(Reason.RETAINED,)]
    twice = payload([metric(1.0, name="A", alias=1), metric(1.0, name="B", alias=1)], 0)
    assert line.say("NBIRTH", twice) == [(Reason.UNDECODABLE,)]
    stranger = Message("spBv1.0/g/NDATA/other", b"", False, AT, 1, 0, 0)
    assert told(line.host.take(stranger)) == [(Reason.UNKNOWN_SIGNAL,)]


KINDS = st.sampled_from(["NBIRTH", "NDEATH", "NDATA", "DBIRTH", "DDEATH", "DDATA", "NCMD", ""])
METRICS = st.lists(st.builds(
    metric, st.one_of(st.none(), st.floats()), name=st.sampled_from([None, "Inlet", "Own", "bdSeq", "x"]),
    alias=st.one_of(st.none(), st.integers(0, 6)), ms=st.one_of(st.none(), st.integers(0, 2**64 - 1)),
    quality=st.one_of(st.none(), st.integers(0, 600)), historical=st.booleans()), max_size=4)
BODIES = st.one_of(st.binary(max_size=60), st.builds(payload, METRICS, st.one_of(st.none(), st.integers(0, 300))))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(KINDS, BODIES, st.booleans(), st.floats(0, 20)), max_size=30))
def test_no_messages_whatever_raise_and_every_reading_is_of_a_bound_signal(messages):
    line = Line()
    for kind, body, retain, after in messages:
        for one in line.say(kind, body, retain=retain, after=after):
            assert len(one) == 1 or (one[0] in ("Inlet", "Own") and (one[1] is None or not math.isnan(one[2])))
        line.asks()
    assert ("Inlet", 1.0, MS, "good") in line.birth()
