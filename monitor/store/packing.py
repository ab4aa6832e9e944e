"""One signal's hour as one blob, lossless to the bit.

Layout, little endian: format (1 byte), how times, values and flags are coded (1 byte each), readings
(uint32), lengths of the six sections (uint32 each), the sections, CRC-32 of all before it.
Each column is coded in the ways that suit transmitters and the shortest is kept:
- times: pcodec as they come, or against the regular grid of their median step. The residuals of a grid carry a
  device's jitter once; differences carry it twice. A grid that is met to the nanosecond is its start and step.
- values: pcodec as they come, or as places in the sorted list of distinct values: an
  analog-to-digital converter gives few, whatever their decimal spelling.
- flags: one number where all are equal.
pcodec writes floats by their bits, so NaN payloads and the sign of zero survive.
"""

from __future__ import annotations

import itertools
import struct
import zlib
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from pcodec import ChunkConfig, DeltaSpec
from pcodec.standalone import simple_compress, simple_decompress

from monitor.errors import StoreError

FIRST, FORMAT = 1, 2    # formats that are read; an hour that the first can say is written in it
PLAIN, GRID, DISTINCT, CONSTANT, EVEN = 0, 1, 2, 3, 4       # EVEN: since format 2

_HEAD = struct.Struct("<BBBBI6I")
_GRID = struct.Struct("<qq")
_AUTO = ChunkConfig()
_NO_DELTA = ChunkConfig(delta_spec=DeltaSpec.no_op())
_WIDEST = 1 << 61   # spans beyond this would overflow the grid's arithmetic


class Hour(NamedTuple):
    """Readings of one signal, times strictly rising. bits: the values' IEEE 754 bits."""

    time: npt.NDArray[np.int64]
    bits: npt.NDArray[np.int64]
    flags: npt.NDArray[np.int64]    # quality + 4 * not fed + 8 * version, each below 2**32

    @property
    def value(self) -> npt.NDArray[np.float64]:
        return self.bits.view(np.float64)


class _Coded(NamedTuple):
    how: int
    first: bytes
    second: bytes

    @property
    def size(self) -> int:
        return len(self.first) + len(self.second)


def pack(hour: Hour) -> bytes:
    """The blob of an hour with at least one reading."""
    columns = (_times(hour.time), _values(hour.value), _flags(hour.flags))
    sections = [part for column in columns for part in (column.first, column.second)]
    form = FORMAT if columns[0].how == EVEN else FIRST
    head = _HEAD.pack(form, *(c.how for c in columns), hour.time.size, *map(len, sections))
    body = head + b"".join(sections)
    return body + zlib.crc32(body).to_bytes(4, "little")


def checked(hour: Hour) -> bytes:
    """`pack`, read back. Raises StoreError where that is not the same to the bit."""
    blob = pack(hour)
    if not all(np.array_equal(a, b) for a, b in zip(unpack(blob), hour, strict=True)):
        raise StoreError("packed readings did not read back equal; they stay unpacked. Report this")
    return blob


def merged(kept: Hour, fresh: Hour) -> Hour:
    """Two parts of an hour as one, times rising; where both have a time, `kept` holds."""
    together = Hour(*(np.concatenate(column) for column in zip(kept, fresh, strict=True)))
    _, first = np.unique(together.time, return_index=True)
    return Hour(*(column[first] for column in together))


def unpack(blob: bytes) -> Hour:
    """The readings of a blob. Raises StoreError where it is damaged or of a newer format."""
    body, check = blob[:-4], blob[-4:]
    if len(body) < _HEAD.size or zlib.crc32(body) != int.from_bytes(check, "little"):
        raise StoreError("the packed readings are damaged (their checksum does not match)")
    form, *hows, count = _HEAD.unpack_from(body)[:5]
    if not FIRST <= form <= FORMAT:
        raise StoreError(f"the packed readings have format {form}; this program reads formats {FIRST} to {FORMAT}")
    parts = _sections(body)
    return Hour(_read_times(hows[0], parts[0], parts[1], count),
                _read_values(hows[1], parts[2], parts[3]),
                _read_flags(hows[2], parts[4], count))


def _sections(body: bytes) -> list[bytes]:
    ends = np.cumsum((_HEAD.size, *_HEAD.unpack_from(body)[5:])).tolist()
    return [body[a:b] for a, b in itertools.pairwise(ends)]


def _press(array: npt.NDArray[Any], config: ChunkConfig = _AUTO) -> bytes:
    return bytes(simple_compress(np.ascontiguousarray(array), config))


def _expand(blob: bytes, dtype: npt.DTypeLike) -> npt.NDArray[Any]:
    return np.asarray(simple_decompress(blob)).astype(dtype, copy=False)


def _shorter(a: _Coded, b: _Coded) -> _Coded:
    return b if b.size < a.size else a


def _times(time: npt.NDArray[np.int64]) -> _Coded:
    plain = _Coded(PLAIN, _press(time), b"")
    if time.size < 3 or int(time[-1]) - int(time[0]) > _WIDEST:
        return plain
    step = max(1, int(np.median(np.diff(time))))
    since = time - time[0]
    if (since == step * np.arange(time.size)).all():
        return _Coded(EVEN, _GRID.pack(int(time[0]), step), b"")
    place = (since + step // 2) // step
    grid = _GRID.pack(int(time[0]), step) + _press(place)
    return _shorter(plain, _Coded(GRID, grid, _press(since - place * step, _NO_DELTA)))


def _read_times(how: int, first: bytes, second: bytes, count: int) -> npt.NDArray[np.int64]:
    if how == PLAIN:
        return _expand(first, np.int64)
    start, step = _GRID.unpack_from(first)
    if how == EVEN:
        return np.asarray(start + step * np.arange(count))
    place = _expand(first[_GRID.size:], np.int64)
    return np.asarray(start + place * step + _expand(second, np.int64))


def _values(value: npt.NDArray[np.float64]) -> _Coded:
    plain = _Coded(PLAIN, _press(value), b"")
    distinct, place = np.unique(value.view(np.int64), return_inverse=True)
    if distinct.size > min(value.size // 2, 65_536):
        return plain
    places = _press(place.astype(np.uint16), _NO_DELTA)
    return _shorter(plain, _Coded(DISTINCT, _press(distinct.view(np.float64)), places))


def _read_values(how: int, first: bytes, second: bytes) -> npt.NDArray[np.int64]:
    if how == PLAIN:
        return np.asarray(_expand(first, np.float64).view(np.int64))
    return np.asarray(_expand(first, np.float64).view(np.int64)[_expand(second, np.uint16)])


def _flags(flags: npt.NDArray[np.int64]) -> _Coded:
    if (flags == flags[0]).all():
        return _Coded(CONSTANT, int(flags[0]).to_bytes(4, "little"), b"")
    return _Coded(PLAIN, _press(flags.astype(np.uint32)), b"")


def _read_flags(how: int, first: bytes, count: int) -> npt.NDArray[np.int64]:
    if how == CONSTANT:
        return np.full(count, int.from_bytes(first, "little"), np.int64)
    return _expand(first, np.int64)
