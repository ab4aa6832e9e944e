"""Messages taken all together come to what they come to one by one."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.daemon.clock import LiveTime
from monitor.daemon.intake import Intake, Taken
from monitor.ingest.mqtt import Message
from monitor.ingest.usual import Reader
from monitor.model import NS
from monitor.settings import Settings
from monitor.times import to_rfc3339
from tests.skids import START, duplex

SIGNALS = duplex().signals


def skid(name: str, shared: str):
    topics = (f"{name}/in", f"{name}/out", f"{name}/in", shared)     # flow comes in the inlet's messages
    return replace(duplex(), id=name, signals=tuple(replace(s, topic=t) for s, t in zip(SIGNALS, topics, strict=True)))


PLANT = Settings((skid("a", "both"), skid("b", "both"), skid("c", "c/temp")))
TOPICS = ("a/in", "a/out", "b/in", "b/out", "c/in", "c/out", "c/temp", "both", "nobody")
usual = st.tuples(st.integers(0, 12), st.sampled_from(["2.5", "3", "10.2", "99"])).map(
    lambda drawn: f'{{"value":{drawn[1]},"time":"{to_rfc3339(START + drawn[0] * NS)}"}}'.encode())
odd = st.sampled_from([b"2.5", b"gone", b"offline", b"{}", b"x", b'{"value":2.5,"q":"bad"}', b'{"value":"2.5"}'])
messages = st.lists(st.tuples(st.sampled_from(TOPICS), st.one_of(usual, usual, usual, odd), st.integers(0, 19),
                              st.integers(0, 12), st.integers(0, 9)), max_size=40)  # fmt: skip


def taken(intake: Intake, live: LiveTime, part: list[Message]) -> list[object]:
    found: Taken = intake.take(part)
    live.end(found.places, found.ended)
    live.note_all(found.places, found.newest, found.heard)
    columns = (found.places, found.starts, *found.rows, found.fed, found.newest, found.heard)
    return [*(repr(column.tolist()) for column in columns), found.rejections, found.ended]


@settings(deadline=None, max_examples=200)
@given(messages, st.integers(0, 40))
def test_taken_together_or_one_by_one_messages_come_to_the_same(drawn, cut):
    generation, came = 1, []
    for n, (topic, payload, retained, at, again) in enumerate(drawn):
        generation += again == 0
        came.append(Message(topic, payload, retained == 0, START + at * NS, generation, n, 1))
    live, other = LiveTime(3), LiveTime(3)
    together, apart = Intake(PLANT, live), Intake(PLANT, other)
    everything = [PLANT.skids[b.skid].signals[b.signal] for b in apart._bindings]
    apart._reader = Reader(everything, besides=set(range(len(everything))))
    for part in (came[:cut], came[cut:]):
        assert taken(together, live, part) == taken(apart, other, part)
