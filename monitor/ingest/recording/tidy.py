"""Delimited text whose lines are sound: the right number of cells, quotes that pair, UTF-8.

What is not sound is taken out, each line with its number and reason, so that one bad line costs
one line. A line break inside quotes is not supported: a line of the file is a row.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.ingest.recording.piece import Fault, Flags, Ints
from monitor.ingest.recording.source import MAX_LINE, Block
from monitor.model import Reason

Bytes = npt.NDArray[np.uint8]
LF, CR, QUOTE, NUL = 10, 13, 34, 0


class Tidy(NamedTuple):
    """Sound lines, the number of each in the file, and what was left out."""

    text: bytes
    line: Ints
    faults: list[Fault]


def is_plain(text: bytes) -> bool:
    """Whether every line break is one row: no quotes, no blank or endless lines, no stray control bytes.

    The number of cells is not looked at.
    """
    if b'"' in text or b"\0" in text or b"\n\n" in text or text[:1] in (b"\n", b"\r"):
        return False
    if b"\r" in text and (b"\n\r" in text or text.count(b"\r") != text.count(b"\r\n")):
        return False
    half = MAX_LINE // 2
    if any(text.find(b"\n", at, at + half) < 0 for at in range(0, len(text) - half, half)):
        return False
    return text.isascii() or _is_utf8(text)


def as_is(block: Block) -> Tidy:
    """A block that needs nothing taken out."""
    return Tidy(block.text, block.first + np.arange(block.text.count(b"\n"), dtype=np.int64), [])


def tidy(block: Block, delimiter: str, cells: int) -> Tidy:
    """Take out blank lines silently and unsound ones as faults. cells: how many a line must have."""
    lines = _Lines(block.text)
    broken: list[tuple[Flags, Reason, str]] = [
        (lines.length > MAX_LINE, Reason.TOO_LARGE, f"a line of more than {MAX_LINE} bytes"),
        (lines.count(lines.bytes == NUL) > 0, Reason.UNDECODABLE, "binary bytes in a line"),
        (lines.stray_returns() > 0, Reason.UNDECODABLE, "a carriage return inside a line"),
        (~lines.are_utf8(), Reason.UNDECODABLE, "not UTF-8"),
        (lines.quotes_astray(ord(delimiter)), Reason.UNDECODABLE, "quotes that do not pair"),
        (lines.count(lines.separates(ord(delimiter))) != cells - 1, Reason.UNDECODABLE, f"not {cells} cells"),
    ]
    good = lines.length > 0
    faults: list[Fault] = []
    for wrong, reason, note in broken:
        for i in np.flatnonzero(wrong & good):
            faults.append(Fault(block.first + int(i), -1, reason, None, lines.text(int(i)), None, note))
        good &= ~wrong
    return Tidy(lines.only(good), block.first + np.flatnonzero(good).astype(np.int64), faults)


class _Lines:
    """Where the lines of a block start and end."""

    def __init__(self, text: bytes) -> None:
        self._text = text
        self.bytes: Bytes = np.frombuffer(text, np.uint8)
        self.end = np.flatnonzero(self.bytes == LF)
        self.start = np.concatenate(([0], self.end[:-1] + 1))
        ended_by_cr = (self.end > self.start) & (self.bytes[self.end - 1] == CR)
        self.length = self.end - self.start - ended_by_cr

    def count(self, mask: Flags) -> Ints:
        """How many marked bytes each line has."""
        at = np.flatnonzero(mask)
        return np.searchsorted(at, self.end) - np.searchsorted(at, self.start)

    def stray_returns(self) -> Ints:
        inside = self.bytes == CR
        inside[(self.start + self.length)[self.end > self.start + self.length]] = False
        return self.count(inside)

    def _inside_quotes(self) -> Flags:
        """Marks each byte that an odd number of its line's quotes precede."""
        seen = np.cumsum(self.bytes == QUOTE, dtype=np.int32)
        before = np.concatenate(([0], seen[self.end[:-1]])).astype(np.int32)
        odd: Flags = ((seen - np.repeat(before, self.end - self.start + 1)) & 1).astype(bool)
        return odd

    def separates(self, delimiter: int) -> Flags:
        mask: Flags = self.bytes == delimiter
        if b'"' in self._text:
            mask &= ~self._inside_quotes()
        return mask

    def quotes_astray(self, delimiter: int) -> Flags:
        """Lines with a quote that neither opens nor closes a cell (RFC 4180: doubled inside one)."""
        if b'"' not in self._text:
            return np.zeros(self.end.size, bool)
        at = np.flatnonzero(self.bytes == QUOTE)
        opens = self._inside_quotes()[at]       # counts the quote itself
        ahead, behind = self.bytes[at - 1], self.bytes[np.minimum(at + 1, self.bytes.size - 1)]
        ahead = np.where(at == 0, LF, ahead)
        fine = np.where(
            opens,
            np.isin(ahead, (LF, delimiter, QUOTE)),
            np.isin(behind, (LF, CR, delimiter, QUOTE)),
        )
        astray = np.zeros(self.bytes.size, bool)
        astray[at[~fine]] = True
        wrong: Flags = (self.count(astray) > 0) | (self.count(self.bytes == QUOTE) % 2 == 1)
        return wrong

    def are_utf8(self) -> Flags:
        fine = np.ones(self.end.size, bool)
        if not self._text.isascii():
            for i in np.flatnonzero(self.count(self.bytes > 127)):
                fine[i] = _is_utf8(self._text[self.start[i] : self.end[i]])
        return fine

    def text(self, line: int) -> str:
        start = int(self.start[line])
        return self._text[start : start + min(int(self.length[line]), 1000)].decode("utf-8", "replace")

    def only(self, good: Flags) -> bytes:
        if good.all():
            return self._text
        return self.bytes[np.repeat(good, self.end - self.start + 1)].tobytes()


def _is_utf8(text: bytes) -> bool:
    try:
        text.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


