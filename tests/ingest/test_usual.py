"""The usual message read by compiled code says what the decoder says, or nothing."""

from __future__ import annotations

import os
import struct
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from monitor.ingest.decode import Decoded, Decoder
from monitor.ingest.usual import Reader
from monitor.model import NS, Role
from monitor.skid import Payload, PayloadFormat, TimeFormat
from monitor.times import LATEST
from tests.skids import BAR, signal

ROOT = Path(__file__).parents[2]
ARRIVAL = 1_800_000_000 * NS
PLAIN = signal("in", Role.INLET_PRESSURE, "bar", 10.0, BAR)
SIGNALS = (
    PLAIN,
    replace(PLAIN, payload=Payload(value_field="in", time_field="at")),
    replace(PLAIN, unit="1"),       # a contact: no span
)

field = st.sampled_from(["value", "v", "in", "time", "t", "at", "q", "status", "x", "a name", "ä", 'b"'])
digits = st.from_regex(r"-?[0-9]{1,17}(\.[0-9]{0,17})?([eE][+-]?[0-9]{1,2})?", fullmatch=True)
number = st.one_of(digits, st.sampled_from(["0", "-0", "-0.0", "1.", ".5", "01", "+1", "NaN"]),
                   st.floats(-1, 11).map(repr), st.decimals(-1, 11, places=4).map(str))
clock = st.one_of(
    st.datetimes().map(lambda t: f'"{t.isoformat()}Z"'),
    st.from_regex(r'"(19[67]|20[0-9]|21[09])[0-9]-[01][0-9]-[0-3][0-9][Tt ][0-2][0-9]:[0-6][0-9]:[0-6][0-9]'
                  r'(\.[0-9]{0,10})?(Z|z|\+01:00)?"', fullmatch=True),
    st.sampled_from(["1772366400", "1772366400123", '"1772366400"', "null"]))
value = st.one_of(number, clock, st.sampled_from(['"good"', "true", "null", "{}", "[1]", '"\\n"', '"é"']))
blank = st.sampled_from(["", "", "", " ", "\t", "\r\n"])


@st.composite
def objects(draw: st.DrawFn) -> bytes:
    """What looks like the usual message more often than not."""
    if draw(st.booleans()):
        members = [(draw(st.sampled_from(["value", "in"])), draw(number)),
                   (draw(st.sampled_from(["time", "at"])), draw(clock))]
    else:
        members = draw(st.lists(st.tuples(field, value), max_size=4))
    text = ",".join(f'{draw(blank)}"{name}"{draw(blank)}:{draw(blank)}{what}{draw(blank)}' for name, what in members)
    return f"{draw(blank)}{{{text}}}{draw(blank)}{draw(st.sampled_from(['', '', '', '}', 'x']))}".encode()


def bits(x: float) -> bytes:
    return struct.pack("d", x)


@settings(deadline=None)    # the first call may compile
@given(st.lists(st.one_of(objects(), st.binary(max_size=40), objects().map(lambda b: b[:-3])), min_size=1, max_size=5))
@example([b'{"value":2.3125,"time":"2026-03-01T12:00:00.000Z"}'])
@example([b'{"time":"2024-02-29T23:59:59.123456789Z","v":10.4}'])
@example([b'{"value":123456789012345.6,"time":"2026-03-01T12:00:00Z"}'])
@example([b'{"value":-0,"time":"2026-03-01T12:00:00Z"}', b'{"value":-0.0,"time":"2026-03-01T12:00:00Z"}'])
def test_what_is_read_is_what_the_decoder_says(payloads: list[bytes]) -> None:
    reader = Reader(SIGNALS)
    message, which = np.divmod(np.arange(len(payloads) * len(SIGNALS)), len(SIGNALS))
    found = reader.read(payloads, [ARRIVAL] * len(payloads), message, which)
    for i in np.flatnonzero(found.known).tolist():
        said = Decoder(SIGNALS[which[i]]).decode(payloads[message[i]], ARRIVAL)
        assert isinstance(said, Decoded)
        assert said.reason is None
        assert (said.time, bits(said.value), said.quality) == (found.time[i], bits(found.value[i]), found.quality[i])


def test_usual_messages_are_read_and_others_left() -> None:
    stamp = '"2026-03-01T12:00:00.250Z"'
    read = [f'{{"value":2.3125,"time":{stamp}}}', f'{{"time": {stamp}, "value": 2}}',
            f'{{"v":2.5,"ts":{stamp},"unit":"bar"}}']
    left = ["2.5", f'{{"value":"2.5","time":{stamp}}}', f'{{"value":2.5,"time":{stamp},"quality":"good"}}',
            f'{{"value":99,"time":{stamp}}}', '{"value":2.5}', f'{{"value":2.5,"time":{stamp}']
    payloads = [text.encode() for text in (*read, *left)]
    places = np.arange(len(payloads))
    found = Reader([PLAIN]).read(payloads, [ARRIVAL] * len(payloads), places, 0 * places)
    assert found.known.tolist() == [True] * len(read) + [False] * len(left)
    assert found.value[: len(read)].tolist() == [2.3125, 2.0, 2.5]
    # Seconds of 2026-03-01T12:00 since 1970, by `date -u -d 2026-03-01T12:00 +%s` of GNU coreutils.
    assert found.time[: len(read)].tolist() == [1_772_366_400_250_000_000] * len(read)


def test_every_day_from_1971_to_2199_has_its_time() -> None:
    days = np.arange(np.datetime64("1971-01-01"), np.datetime64("2200-01-01"))
    payloads = [f'{{"value":1,"time":"{day}T00:00:00Z"}}'.encode() for day in days]
    places = np.arange(days.size)
    found = Reader([PLAIN]).read(payloads, [LATEST] * days.size, places, 0 * places)
    assert found.known.all()
    assert (found.time == days.astype("datetime64[ns]").astype(np.int64)).all()


def test_signals_of_another_form_and_times_ahead_are_left() -> None:
    stamp = b'{"value":2.5,"time":"2026-03-01T12:00:00Z"}'
    odd = [replace(PLAIN, payload=Payload(format=PayloadFormat.NUMBER)),
           replace(PLAIN, payload=Payload(value_field="a.b")),
           replace(PLAIN, payload=Payload(time_format=TimeFormat.EPOCH_MS)), PLAIN]
    places = np.arange(len(odd))
    assert not Reader(odd, besides={3}).read([stamp], [ARRIVAL], 0 * places, places).known.any()
    for arrival, known in ((1_772_366_400 - 301, False), (1_772_366_400 - 300, True)):
        assert Reader([PLAIN]).read([stamp], [arrival * NS], places[:1], places[:1]).known.tolist() == [known]


def test_without_compilation_the_same_is_read() -> None:
    env = os.environ | {"NUMBA_DISABLE_JIT": "1", "PYTHONPATH": str(ROOT)}
    cases = ["test_usual_messages_are_read_and_others_left", "test_signals_of_another_form_and_times_ahead_are_left"]
    code = f"import tests.ingest.test_usual as t; [getattr(t, case)() for case in {cases}]"
    subprocess.run([sys.executable, "-W", "error", "-c", code], env=env, cwd=ROOT, check=True, timeout=60)
