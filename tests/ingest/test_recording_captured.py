"""Captured messages: reading them, and what CaptureWriter writes."""

from __future__ import annotations

import base64
import gzip
import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import InputError
from monitor.ingest.decode import Decoded, decode
from monitor.ingest.recording import CaptureWriter
from monitor.model import NS, Quality, Role
from monitor.skid import Payload, PayloadFormat
from tests.ingest.helpers import read, signal, skid, write

T0 = 1_740_816_000 * NS  # 2025-03-01T08:00:00Z
BAD = int(Quality.BAD)
TIME = "2025-03-01T08:00:00Z"


def lines(*documents: object) -> str:
    return "".join((d if isinstance(d, str) else json.dumps(d)) + "\n" for d in documents)


def message(
    payload: object, topic: str = "hatchery/intake/PT-101", time: object = TIME, **more: object
) -> dict[str, object]:
    return {"time": time, "topic": topic, "payload": payload} | more


def test_payloads_may_be_text_numbers_or_objects(tmp_path: Path) -> None:
    text = lines(
        message("3.5"),
        message(3.25),
        message({"value": 3, "time": "2025-03-01T07:59:59Z"}),
        message('{"v": 2.5}'),
        message(True, "hatchery/intake/LS-1"),
        message(2, time=1740816001.5),
    )
    found = read(write(tmp_path / "a.jsonl", text))
    assert found.recordings.layouts == ("captured",)
    assert found.readings == [
        (T0, 0, 3.5, 0),
        (T0, 0, 3.25, 0),
        (T0 - NS, 0, 3.0, 0),
        (T0, 0, 2.5, 0),
        (T0, 4, 1.0, 0),
        (T0 + 1_500_000_000, 0, 2.0, 0),
    ]
    assert read(write(tmp_path / "b.jsonl.gz", gzip.compress(text.encode()))).readings == found.readings


def test_what_cannot_be_used_keeps_its_line_and_reason(tmp_path: Path) -> None:
    text = lines(
        message("3 bar"),
        message("Bad"),
        message("11"),
        message("1", "elsewhere/PT-101"),
        "not json",
        message("1", time="soon"),
        message("1", time="2025-03-01T08:00:00"),
        message("1", retain=True),
        {"time": TIME, "topic": "hatchery/intake/PT-101"},
        message("NaN"),
        message({"v": None}),
        "",
        message("2"),
        "[" * 5000,
        '{"time": 1_0, "topic": "a", "payload": 1}',
        {"time": TIME, "topic": 5, "payload": 1},
    )
    found = read(write(tmp_path / "a.jsonl", text))
    assert found.refused == [
        ("a.jsonl:1", "undecodable", "PT-101"),
        ("a.jsonl:2", "bad-quality", "PT-101"),
        ("a.jsonl:3", "out-of-range", "PT-101"),
        ("a.jsonl:4", "unknown-signal", None),
        ("a.jsonl:5", "undecodable", None),
        ("a.jsonl:6", "bad-time", None),
        ("a.jsonl:7", "bad-time", None),
        ("a.jsonl:8", "retained", "PT-101"),
        ("a.jsonl:9", "undecodable", None),
        ("a.jsonl:10", "not-finite", "PT-101"),
        ("a.jsonl:11", "bad-quality", "PT-101"),
        ("a.jsonl:14", "undecodable", None),
        ("a.jsonl:15", "undecodable", None),
        ("a.jsonl:16", "undecodable", None),
    ]
    assert found.readings == [(T0, 0, None, BAD), (T0, 0, 11.0, BAD), (T0, 0, None, BAD), (T0, 0, 2.0, 0)]
    assert dict(found.recordings.unknown_signals) == {"elsewhere/PT-101": 1}


def test_topics_are_mapped_and_local_times_take_the_zone(tmp_path: Path) -> None:
    path = write(tmp_path / "a.jsonl", lines(message("3", "plant/7", "2025-03-01T09:00:00")))
    with pytest.raises(InputError, match="--timezone"):
        read(path)
    assert read(path, mapping={"plant/7": "PT-101"}, timezone="Europe/Berlin").readings == [(T0, 0, 3.0, 0)]


def test_one_message_may_carry_several_signals(tmp_path: Path) -> None:
    both = skid(
        signal("PT-101", topic="plc", payload=Payload(PayloadFormat.JSON, value_field="p.in")),
        signal("PT-102", Role.OUTLET_PRESSURE, topic="plc", payload=Payload(PayloadFormat.JSON, value_field="p.out")),
    )
    found = read(
        write(
            tmp_path / "a.jsonl", lines(message({"p": {"in": 3, "out": 2}}, "plc"), message({"p": {"out": 2}}, "plc"))
        ),
        both,
    )
    assert found.readings == [(T0, 0, 3.0, 0), (T0, 1, 2.0, 0), (T0, 1, 2.0, 0)]
    assert found.refused == [("a.jsonl:2", "undecodable", "PT-101")]


def test_two_captured_signals_of_one_instant_keep_the_order_of_lines(tmp_path: Path) -> None:
    text = lines(message("2", "hatchery/intake/PT-102"), message("3"), message("2.5", "hatchery/intake/PT-102"))
    assert [row[1] for row in read(write(tmp_path / "a.jsonl", text)).readings] == [1, 0, 1]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(T0, T0 + 10**15),
            st.binary(max_size=30)
            | st.floats(0, 10).map(lambda x: repr(x).encode())
            | st.text(max_size=9).map(str.encode),
        ),
        min_size=1,
        max_size=10,
    )
)
def test_what_is_captured_decodes_as_it_did_live(
    tmp_path_factory: pytest.TempPathFactory, messages: list[tuple[int, bytes]]
) -> None:
    path = tmp_path_factory.mktemp("capture") / "a.jsonl"
    with CaptureWriter(path) as out:
        for arrival, payload in messages:
            out.write(arrival, "hatchery/intake/PT-101", payload)
    found = read(path)
    subject = skid().signals[0]
    live = [(arrival, decode(payload, subject, arrival)) for arrival, payload in messages]
    kept = [(r.time or arrival, r.value, int(r.quality)) for arrival, r in live if isinstance(r, Decoded)]
    assert [(t, repr(v), q) for t, _, v, q in zip(*(c.tolist() for c in found.rows), strict=True)] == [
        (t, repr(v), q) for t, v, q in kept
    ]
    assert [r.reason for r in found.rejections] == [r.reason for _, r in live if r.reason is not None]


def test_a_message_that_is_no_text_is_kept_byte_by_byte(tmp_path: Path) -> None:
    with CaptureWriter(tmp_path / "a.jsonl") as out:
        out.write(T0, "t", b"\xff\x00", retain=True)
    line = json.loads((tmp_path / "a.jsonl").read_text())
    assert base64.b64decode(line["payload_base64"]) == b"\xff\x00"
    assert (line["time"], line["retain"]) == ("2025-03-01T08:00:00.000Z", True)


def test_a_capture_is_readable_after_each_flush_and_goes_on_after_a_torn_line(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    out = CaptureWriter(path)
    out.write(T0, "hatchery/intake/PT-101", b"3")
    out.flush()
    assert len(read(path).readings) == 1
    out.close()
    with path.open("ab") as torn:
        torn.write(b'{"time": "2025-03')
    with CaptureWriter(path) as more:
        more.write(T0 + NS, "hatchery/intake/PT-101", b"4")
    found = read(path)
    assert [row[2] for row in found.readings] == [3.0, 4.0]
    assert found.refused == [("a.jsonl:2", "undecodable", None)]


@pytest.mark.parametrize("name", ["missing/a.jsonl", "a.jsonl.gz", "."])
def test_a_capture_that_cannot_be_written_is_said_so_at_once(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match=r"cannot be opened|unpacked"):
        CaptureWriter(tmp_path / name)
