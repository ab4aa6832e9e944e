from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest
from notify.servers import RESET, SILENCE, Answer, Asked, HttpServer, Metrics, Old, query
from services import influxd
from store.samples import START

from monitor.model import NS
from monitor.notify.delivery import BATCH
from monitor.notify.influx import InfluxWriter
from monitor.notify.outcome import Later
from monitor.settings import InfluxSettings, Secret

TOKEN = "river-token-0123456789"


@pytest.fixture
def writer() -> Iterator[Callable[..., InfluxWriter]]:
    made: list[InfluxWriter] = []

    def make(url: str, **options: float) -> InfluxWriter:
        made.append(InfluxWriter(InfluxSettings(url, "hatchery", "river", Secret(TOKEN)), **options))
        return made[-1]

    yield make
    for one in made:
        one.close()


def lines(count: int, first: int = 0) -> list[str]:
    return [f"reading,signal=PT-1 value={i / 4!r} {START + i * NS}" for i in range(first, first + count)]


def refusing(bad: set[str], status: int = 400) -> Callable[[Asked], Answer]:
    """Takes nothing of a request that holds a bad line, as a strict server does."""
    body = b'{"code":"invalid","message":"unable to parse"}'

    def answer(asked: Asked) -> Answer:
        return Answer(status, body=body) if bad & set(asked.body.decode().split("\n")) else Answer()

    return answer


def taken(server: HttpServer, refused: Callable[[Asked], Answer]) -> list[str]:
    return [line for asked in server.asked if asked.path != "/ping" and refused(asked).status == 204
            for line in asked.body.decode().split("\n")]


def test_lines_go_to_the_bucket_with_token_and_ns_and_zipped(writer: Callable[..., InfluxWriter]) -> None:
    with HttpServer() as server:
        result = writer(server.url).deliver(lines(BATCH + 1))
        assert (result.refused, result.left, result.later) == ([], [], None)
        sizes = [len(a.body.split(b"\n")) for a in server.asked]
        assert sizes == [BATCH, 1]
        asked = server.asked[0]
        assert asked.headers["authorization"] == f"Token {TOKEN}" and asked.headers["content-encoding"] == "gzip"
        asked_for = parse_qs(urlsplit(asked.path).query)
        assert (asked_for["bucket"], asked_for["org"], asked_for["precision"]) == (["river"], ["hatchery"], ["ns"])


@pytest.mark.parametrize("count", [1, 2, 7])
def test_only_the_refusing_points_are_refused_and_the_rest_goes_through_once(
    count: int, writer: Callable[..., InfluxWriter]
) -> None:
    all_lines = lines(1_000)
    bad = set(random.Random(count).sample(all_lines, count))
    with HttpServer(refusing(bad)) as server:
        result = writer(server.url).deliver(all_lines)
        assert {line for line, _ in result.refused} == bad
        assert all("answers 400: unable to parse" in reason for _, reason in result.refused)
        assert (result.left, result.later) == ([], None)
        assert taken(server, refusing(bad)) == [line for line in all_lines if line not in bad]
        assert len(server.asked) <= 2 * count * 10 + 1   # two requests a halving, 2^10 > 1,000


def test_a_server_that_refuses_everything_gets_the_blame_and_no_point_is_lost(
    writer: Callable[..., InfluxWriter]
) -> None:
    with HttpServer(lambda _: Answer(400, body=b'{"message":"org is required"}')) as server:
        result = writer(server.url).deliver(lines(500))
        assert result.refused == [] and sorted(result.left) == sorted(lines(500))
        assert result.later is not None and result.later.slow and "org is required" in result.later.reason
        assert len(server.asked) <= 30


def test_a_batch_full_of_bad_points_is_divided_over_several_deliveries(writer: Callable[..., InfluxWriter]) -> None:
    bad = set(lines(300))
    with HttpServer(refusing(bad)) as server:
        one = writer(server.url)
        assert one.deliver(lines(1, first=1_000)).left == []
        refused: set[str] = set()
        left, rounds = lines(300), 0
        while left:
            before = len(server.asked)
            result = one.deliver(left)
            assert len(server.asked) - before <= 200 and result.later is None
            refused |= {line for line, _ in result.refused}
            left, rounds = result.left, rounds + 1
        assert refused == bad and rounds > 1


def test_too_large_a_request_halves_the_batch_from_then_on(writer: Callable[..., InfluxWriter]) -> None:
    def small(asked: Asked) -> Answer:
        return Answer(413) if asked.body.count(b"\n") >= 300 else Answer()

    with HttpServer(small) as server:
        one = writer(server.url)
        assert one.deliver(lines(1_000)).left == [] and one.batch == 250
        assert taken(server, small) == lines(1_000)
        before = len(server.asked)
        assert one.deliver(lines(1_000)).left == []
        assert len(server.asked) - before == 4


def test_a_single_point_that_is_too_large_is_refused(writer: Callable[..., InfluxWriter]) -> None:
    with HttpServer(refusing({lines(1)[0]}, 413)) as server:
        result = writer(server.url).deliver(lines(3))
        assert [line for line, _ in result.refused] == lines(1) and result.left == []


@pytest.mark.parametrize("status", [401, 403, 404, 405, 302])
def test_what_the_operator_has_to_mend_is_tried_slowly_and_said(
    status: int, writer: Callable[..., InfluxWriter]
) -> None:
    body = f'{{"message":"unauthorized: {TOKEN}"}}'.encode()
    with HttpServer(lambda _: Answer(status, body=body)) as server:
        result = writer(server.url).deliver(lines(10))
        assert result.left == lines(10) and result.later is not None and result.later.slow
        assert f"answers {status}: unauthorized: ***" in result.later.reason
        assert "url, org, bucket and token" in result.later.reason
        assert len(server.asked) == 1


@pytest.mark.parametrize("status", [408, 425, 429, 500, 503])
def test_a_busy_server_is_left_alone_as_long_as_it_asks(status: int, writer: Callable[..., InfluxWriter]) -> None:
    with HttpServer(lambda _: Answer(status, {"Retry-After": "42"}, b'{"error":"busy"}')) as server:
        result = writer(server.url).deliver(lines(10))
        assert result.left == lines(10) and result.later is not None
        assert (result.later.wait_s, result.later.slow) == (42.0, False) and "busy" in result.later.reason


def test_what_was_taken_before_a_failure_is_not_left(writer: Callable[..., InfluxWriter]) -> None:
    answers = iter([Answer(), Answer(503), Answer()])
    with HttpServer(lambda _: next(answers)) as server:
        one = writer(server.url)
        one.batch = 100
        result = one.deliver(lines(250))
        assert result.left == lines(150, first=100) and isinstance(result.later, Later)


def test_a_server_without_gzip_gets_plain_text(writer: Callable[..., InfluxWriter]) -> None:
    def plain(asked: Asked) -> Answer:
        return Answer(415 if "content-encoding" in asked.headers else 204)

    with HttpServer(plain) as server:
        assert writer(server.url).deliver(lines(10)).left == []
        assert server.asked[-1].body.decode().split("\n") == lines(10)


def test_network_faults_say_whether_the_server_is_there_at_all(writer: Callable[..., InfluxWriter]) -> None:
    with HttpServer(lambda asked: Answer() if asked.path == "/ping" else RESET) as server:
        reset = writer(server.url).deliver(lines(2)).later
    with HttpServer(lambda asked: Answer() if asked.path == "/ping" else SILENCE) as server:
        silent = writer(server.url, answer_s=0.3).deliver(lines(2)).later
    away = writer(server.url).deliver(lines(2)).later
    assert reset is not None and silent is not None and away is not None
    assert "answers a ping, though" in reset.reason and "answers a ping, though" in silent.reason
    assert "does not answer a ping either" in away.reason and "Connection refused" in away.reason
    assert "object at 0x" not in reset.reason + silent.reason + away.reason


def test_it_stops_between_requests() -> None:
    with HttpServer() as server:
        asked = server.asked
        one = InfluxWriter(InfluxSettings(server.url), stopping=lambda: len(asked) >= 2)
        one.batch = 10
        assert one.deliver(lines(50)).left == lines(30, first=20)
        one.close()


@pytest.mark.needs("influxd")
def test_a_real_server_of_the_first_line_refuses_single_points_and_has_all_others(
    tmp_path: Path, writer: Callable[..., InfluxWriter]
) -> None:
    good = lines(2_000)
    bad = {"reading,signal=PT-1 value=1.2.3 1", "reading value= 5", "no fields here", "reading,signal=PT-1 value=true "
           f"{START + 3}"}     # the last one: another type than the field has
    mixed = good + sorted(bad)
    random.Random(5).shuffle(mixed)
    with influxd(tmp_path) as behind, Old(behind, "river") as server:
        behind.create_database("river")
        result = writer(server.url).deliver([good[0]])
        result = writer(server.url).deliver(mixed)
        assert {line for line, _ in result.refused} == bad and result.left == []
        assert all("parse" in reason or "conflict" in reason for _, reason in result.refused)
        found = {r["time"]: r["value"] for r in query(behind, "river", "select * from reading")}
        assert found == {START + i * NS: i / 4 for i in range(2_000)}


@pytest.mark.needs("victoria-metrics")
def test_a_real_server_of_the_v2_protocol_has_what_it_said_it_took(
    tmp_path: Path, writer: Callable[..., InfluxWriter]
) -> None:
    with Metrics(tmp_path) as server:
        one = writer(server.url)
        assert one.alive()
        for _ in range(2):      # a repeat overwrites
            result = one.deliver(lines(12_000))
            assert (result.left, result.refused, result.later) == ([], [], None)
        ((labels, values),) = server.export("reading_value")
        assert labels["signal"] == "PT-1"
        assert values == {(START + i * NS) // 1_000_000: i / 4 for i in range(12_000)}
