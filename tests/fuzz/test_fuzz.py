"""A short run of what `tests/bench/fuzzing.py` does for hours; whatever was found stays in the corpus."""

from __future__ import annotations

import pytest
from fuzz.targets import CORPUS, TARGETS
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

EXAMPLES = {"payload": 400, "configuration": 60, "recording": 80, "command": 80}


def seeds(name: str) -> list[bytes]:
    return [path.read_bytes() for path in sorted((CORPUS / name).iterdir())]


@st.composite
def mutated(draw: st.DrawFn, name: str) -> bytes:
    """A seed with pieces taken out, doubled, exchanged or put in."""
    data = draw(st.sampled_from(seeds(name)))
    for _ in range(draw(st.integers(0, 4))):
        a = draw(st.integers(0, len(data)))
        b = draw(st.integers(a, min(len(data), a + 40)))
        other = draw(st.sampled_from(seeds(name)))
        c = draw(st.integers(0, len(other)))
        put = draw(st.one_of(st.binary(max_size=12), st.just(data[a:b] * 2), st.just(other[c : c + 30]),
                             st.sampled_from([b"", b"-", b"1e999", b"\xff", b"\x00", b'"', b"nan", b"[[", b"9" * 30])))
        data = data[:a] + put + data[b:]
    return data


@pytest.mark.parametrize("name", TARGETS)
def test_every_seed_is_taken_or_refused_in_words(name: str) -> None:
    assert len(seeds(name)) >= 5
    for data in seeds(name):
        TARGETS[name](data)


@pytest.mark.parametrize("name", TARGETS)
def test_whatever_comes_is_taken_or_refused_in_words(name: str) -> None:
    @settings(max_examples=EXAMPLES[name], deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
    @given(st.one_of(mutated(name), st.binary(max_size=200)))
    def feed(data: bytes) -> None:
        TARGETS[name](data)

    feed()
