from __future__ import annotations

import math
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from store.samples import START

from monitor.errors import StoreError
from monitor.store.packing import Hour, pack, unpack

WORDS = st.integers(-(1 << 63), (1 << 63) - 1)


def equal(a: Hour, b: Hour) -> bool:
    return all(np.array_equal(x, y) and x.dtype == y.dtype for x, y in zip(a, b, strict=True))


@st.composite
def hours(draw: st.DrawFn) -> Hour:
    """Any bits, any times; often regular, repeated or constant, as transmitters are."""
    size = draw(st.integers(1, 60))
    if draw(st.booleans()):
        time = np.sort(np.array(draw(st.lists(WORDS, min_size=size, max_size=size, unique=True)), np.int64))
    else:
        jitter = draw(arrays.arrays(np.int64, size, elements=st.integers(0, draw(st.sampled_from((0, 999))))))
        time = START + np.arange(size, dtype=np.int64) * 1_000 + jitter
    pool = np.array(draw(st.lists(WORDS, min_size=1, max_size=size)), np.int64)
    bits = pool[draw(arrays.arrays(np.int64, size, elements=st.integers(0, pool.size - 1)))]
    flags = draw(arrays.arrays(np.int64, size, elements=st.integers(0, 2**32 - 1), fill=st.just(0)))
    return Hour(time, bits, flags)


@settings(max_examples=300, deadline=None, derandomize=True)
@given(hours())
def test_an_hour_unpacks_to_the_bit(hour: Hour) -> None:
    assert equal(unpack(pack(hour)), hour)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(hours(), st.data())
def test_a_flipped_bit_is_noticed(hour: Hour, data: st.DataObject) -> None:
    blob = bytearray(pack(hour))
    place = data.draw(st.integers(0, len(blob) * 8 - 1))
    blob[place // 8] ^= 1 << place % 8
    with pytest.raises(StoreError, match="damaged"):
        unpack(bytes(blob))


def test_a_cut_blob_is_noticed() -> None:
    blob = pack(Hour(np.array([START]), np.array([0]), np.array([0])))
    for size in range(len(blob)):
        with pytest.raises(StoreError, match="damaged"):
            unpack(blob[:size])


def transmitter(noise: float, jitter_ms: float, seed: int = 5) -> tuple[Hour, float]:
    """An hour of a 12-bit 0-10 bar transmitter at 1 Hz, and the entropy of what varies in it, bits a reading."""
    rng = np.random.default_rng(seed)
    code = np.round(rng.normal(1_200.0, noise, 3_600)).astype(np.int64)
    late = np.round(rng.normal(0.0, jitter_ms, 3_600)).astype(np.int64)
    time = START + (np.arange(3_600) * 1_000 + late) * 1_000_000
    hour = Hour(time, (code * (10.0 / 4_096.0)).view(np.int64), np.zeros(3_600, np.int64))
    return hour, entropy(code) + entropy(late)


def entropy(symbols: np.ndarray) -> float:
    """Shannon's, of the frequencies found: no code for independent symbols is shorter on average (Bell Syst. Tech. J.
    27 (1948) 379, theorem 9; from memory)."""
    share = np.unique(symbols, return_counts=True)[1] / symbols.size
    return float(-(share * np.log2(share)).sum())


@pytest.mark.parametrize(("noise", "jitter_ms"), [(0.7, 1.0), (3.0, 5.0), (10.0, 20.0)])
def test_a_transmitters_hour_takes_little_more_than_its_entropy(noise: float, jitter_ms: float) -> None:
    hour, least = transmitter(noise, jitter_ms)
    bits = len(pack(hour)) * 8 / 3_600
    # The blob's lists and headers of some 300 bytes are 0.7 bit a reading over an hour.
    assert least - 0.3 < bits < least + 1.5
    assert math.isclose(bits, least, rel_tol=0.35)


def test_an_hour_of_regular_times_takes_at_most_three_tenths_more_than_its_entropy() -> None:
    hour, least = transmitter(0.5, 0.0)
    assert len(pack(hour)) * 8 / 3_600 < 1.3 * least
    assert equal(unpack(pack(hour)), hour)


def test_hours_of_the_first_format_are_read_and_of_a_later_one_refused() -> None:
    """Written by the version before the second: four readings a second apart."""
    blob = bytes.fromhex(
        "01000003040000002c000000000000003000000000000000040000000000000070636f2103000201040104030000001000000078597b74"
        "c4c404010000000000ca9a3b00943577005ed0b20070636f210300020104010603000000320040333333333333011890eb51b81e856b02"
        "3080e17a14ae47e104600026000000000000dde3f79d")
    values = np.array([3.21, 3.22, 3.21, 3.2]).view(np.int64)
    hour = Hour(1_772_323_200 * 10**9 + 10**9 * np.arange(4), values, np.zeros(4, np.int64))
    assert equal(unpack(blob), hour) and equal(unpack(pack(hour)), hour) and len(pack(hour)) < len(blob)
    later = bytes([9]) + blob[1:-4]
    with pytest.raises(StoreError, match="format 9; this program reads formats 1 to 2"):
        unpack(later + zlib.crc32(later).to_bytes(4, "little"))
