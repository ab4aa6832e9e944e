"""Columns of cells, as text or typed, -> numbers, and what the others are.

Columns are Arrow arrays; where they are text, the usual case is one vectorised cast and the odd
cells are read word by word, each different word once.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.ingest.recording.arrow import Array, flags, numbers, present
from monitor.ingest.recording.piece import Flags, Floats
from monitor.ingest.words import BLANKS, NUMBER, on_off, quality_of, says_not_finite, strict_number
from monitor.model import Quality, Reason

Marks = npt.NDArray[np.uint8]


class Odd(NamedTuple):
    """A cell without a usable value."""

    row: int
    reason: Reason
    text: str
    note: str


class Cells(NamedTuple):
    """values: NaN where there is none. filled: False where a cell is empty or refused."""

    values: Floats
    filled: Flags
    odd: list[Odd]


class Reading(NamedTuple):
    """How cells are read. nan_is_empty: NaN in a typed column means no sample."""

    decimal_comma: bool = False
    nan_is_empty: bool = True


def is_textual(kind: Any) -> bool:
    import pyarrow.types as types

    if types.is_dictionary(kind):
        kind = kind.value_type
    text = (types.is_string, types.is_large_string, types.is_string_view, types.is_binary, types.is_large_binary)
    return any(check(kind) for check in text)


def is_readable(kind: Any) -> bool:
    """Whether a column of this Arrow type can hold values."""
    import pyarrow.types as types

    plain = kind.value_type if types.is_dictionary(kind) else kind
    known = (types.is_floating, types.is_integer, types.is_decimal, types.is_boolean, types.is_null)
    return is_textual(kind) or any(check(plain) for check in known)


def as_text(column: Array) -> Array:
    """A textual column as plain Arrow strings; bytes that are not UTF-8 are replaced."""
    import pyarrow as pa

    if pa.types.is_dictionary(column.type):
        column = column.dictionary_decode()
    if pa.types.is_string(column.type):
        return column
    try:
        return column.cast(pa.string())
    except (pa.ArrowInvalid, UnicodeDecodeError):
        texts = (None if cell is None else cell.decode("utf-8", "replace") for cell in column.to_pylist())
        return pa.array(list(texts), pa.string())


def read_numbers(column: Array, contact: bool, how: Reading) -> Cells:
    """One column of values. contact: whether true and false are 1 and 0 here."""
    import pyarrow as pa

    if is_textual(column.type):
        return _read_text(as_text(column), contact, how.decimal_comma)
    if pa.types.is_dictionary(column.type):
        column = column.dictionary_decode()
    if pa.types.is_null(column.type):
        return Cells(np.full(len(column), np.nan), np.zeros(len(column), bool), [])
    if pa.types.is_boolean(column.type) and not contact:
        return _refuse_all(column)
    return _read_typed(column, how.nan_is_empty)


def _read_typed(column: Array, nan_is_empty: bool) -> Cells:
    import pyarrow as pa

    filled = present(column)
    kind = column.type
    column = column.cast(pa.uint8()) if pa.types.is_boolean(kind) else column
    values = numbers(column.cast(pa.float64(), safe=False), np.nan)
    if pa.types.is_floating(kind):
        if nan_is_empty:
            filled = filled & ~np.isnan(values)
        endless = np.flatnonzero(filled & ~np.isfinite(values))
        if endless.size:
            odd = [Odd(int(i), Reason.NOT_FINITE, str(values[i]), "not a finite number") for i in endless]
            return Cells(values, filled & np.isfinite(values), odd)
    return Cells(values, filled, [])


def _refuse_all(column: Array) -> Cells:
    texts = column.to_pylist()
    odd = [
        Odd(int(i), Reason.UNDECODABLE, str(texts[i]).lower(), "true or false where a number is expected")
        for i in np.flatnonzero(present(column))
    ]
    return Cells(np.full(len(column), np.nan), np.zeros(len(column), bool), odd)


def _read_text(column: Array, contact: bool, decimal_comma: bool) -> Cells:
    import pyarrow as pa
    import pyarrow.compute as pc

    filled = present(column)
    try:
        values = numbers(pc.cast(column, pa.float64()), np.nan)
        if np.isfinite(values[filled]).all():
            return Cells(values, filled, [])
    except pa.ArrowInvalid:
        pass
    return _read_words(column, contact, decimal_comma)


def _read_words(column: Array, contact: bool, decimal_comma: bool) -> Cells:
    """Numbers by one cast, the rest word by word."""
    import pyarrow as pa
    import pyarrow.compute as pc

    bare = pc.utf8_trim(column, characters=BLANKS)
    if decimal_comma:
        pattern = r"^([+-]?[0-9]*),([0-9]*(?:[eE][+-]?[0-9]+)?)$"
        bare = pc.replace_substring_regex(bare, pattern=pattern, replacement=r"\1.\2")
    numeric = pc.match_substring_regex(bare, pattern=f"^(?:{NUMBER})$").fill_null(False)
    values = numbers(pc.if_else(numeric, bare, None).cast(pa.float64()), np.nan).copy()
    filled = flags(numeric) & np.isfinite(values)
    others = np.flatnonzero(present(column) & ~filled)
    odd: list[Odd] = []
    known: dict[str, tuple[float, Reason | None, str]] = {}
    for row, text in zip(others.tolist(), column.take(pa.array(others)).to_pylist(), strict=True):
        if text not in known:
            known[text] = _meaning(text, contact, decimal_comma)
        value, reason, note = known[text]
        values[row] = value
        filled[row] = reason is Reason.BAD_QUALITY or value == value
        if reason is not None:
            odd.append(Odd(row, reason, text, note))
    return Cells(values, filled, odd)


def _meaning(text: str, contact: bool, decimal_comma: bool) -> tuple[float, Reason | None, str]:
    """(value, reason, note) of a cell that is no finite number; no value and no reason where it is empty."""
    if not text.strip(BLANKS):
        return np.nan, None, ""
    state = on_off(text) if contact else None
    if state is not None:
        return state, None, ""
    if says_not_finite(text) or strict_number(text, decimal_comma=decimal_comma) is not None:
        return np.nan, Reason.NOT_FINITE, "not a finite number"
    return np.nan, Reason.BAD_QUALITY, "a word in place of a number"


def read_qualities(column: Array) -> Marks:
    """A quality column -> uint8 array; unknown marks are UNCERTAIN, an empty cell is GOOD."""
    import pyarrow as pa

    if pa.types.is_null(column.type):
        return np.zeros(len(column), np.uint8)
    column = as_text(column) if is_textual(column.type) else column
    coded = column if pa.types.is_dictionary(column.type) else column.dictionary_encode()
    marks = coded.dictionary.to_pylist()
    table = np.array([*(_quality(mark) for mark in marks), Quality.GOOD], np.uint8)
    codes = numbers(coded.indices.cast(pa.int64()), len(marks))
    qualities: Marks = table[codes]
    return qualities


def _quality(mark: object) -> Quality:
    if mark is None:
        return Quality.GOOD
    known = quality_of(mark)
    return Quality.UNCERTAIN if known is None else known
