"""Bytes of a file, unpacked where it is gzip, in blocks of whole lines with their line numbers."""

from __future__ import annotations

import codecs
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, NamedTuple

from monitor.errors import InputError

READ = 1 << 20
BLOCK = 8 << 20
MAX_LINE = 1 << 20
GZIP = b"\x1f\x8b"


class Source:
    """A file opened for reading from its start to its end, once. Use as a context manager.

    cut_short: why a compressed file ended early, else None. What came before is read all the same.
    """

    def __init__(self, path: Path, read: int = READ) -> None:
        self.path = path
        self._amount = read
        self.cut_short: str | None = None
        try:
            self._file: BinaryIO = path.open("rb")
            self._size = path.stat().st_size
            self.is_packed = self._file.read(2) == GZIP
            self._file.seek(0)
        except OSError as error:
            raise InputError(f"{path}: cannot be read: {(error.strerror or str(error)).lower()}") from error
        self._unpack = zlib.decompressobj(wbits=31)
        self._left = b""
        self._taken = 0
        self._fresh = True
        self._decoder: codecs.IncrementalDecoder | None = None

    def __enter__(self) -> Source:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    @property
    def done(self) -> float:
        """Share of the file's bytes that have been read, 0 to 1."""
        return min(1.0, self._taken / self._size) if self._size else 1.0

    def read(self) -> bytes:
        """Some more bytes, of UTF-16 as UTF-8; empty at the end."""
        try:
            data = self._unpacked() if self.is_packed else self._more()
            if self._fresh:
                self._fresh, self._decoder = False, _decoder(data)
            while self._decoder is not None and data:
                text = self._decoder.decode(data).encode("utf-8", "replace")
                if text:
                    return text
                data = self._unpacked() if self.is_packed else self._more()
            return data
        except OSError as error:
            raise InputError(f"{self.path}: cannot be read: {error.strerror or error}") from error

    def _more(self) -> bytes:
        data = self._file.read(self._amount)
        self._taken += len(data)
        return data

    def _unpacked(self) -> bytes:
        while self.cut_short is None:
            packed, before = self._left or self._more(), self._unpack
            try:
                if not packed:
                    return self._last()
                if self._unpack.eof:    # another member follows, or padding
                    packed = packed.lstrip(b"\0")
                    if not packed:
                        self._left = b""
                        continue
                    self._unpack = zlib.decompressobj(wbits=31)
                before = self._unpack.copy()
                data = self._unpack.decompress(packed, 4 * self._amount)
            except zlib.error:
                self.cut_short = "the compressed file is damaged"
                return _salvage(before, packed)
            self._left = self._unpack.unconsumed_tail or self._unpack.unused_data
            if data:
                return data
        return b""


    def _last(self) -> bytes:
        """What the unpacker still held at the end of the file."""
        data = self._unpack.flush(self._amount)
        if not data and not self._unpack.eof:
            self.cut_short = "the compressed file ends early"
        return data


def _decoder(start: bytes) -> codecs.IncrementalDecoder | None:
    """Of UTF-16, which spreadsheets and historians export, told by its byte order mark."""
    if not start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return None
    return codecs.getincrementaldecoder("utf-16")("replace")


def _salvage(unpack: zlib._Decompress, packed: bytes) -> bytes:
    """What can be unpacked before the damage: an error costs everything of the call that meets it."""
    data = bytearray()
    for i in range(len(packed)):
        try:
            data += unpack.decompress(packed[i : i + 1])
        except zlib.error:
            break
    return bytes(data)


class Block(NamedTuple):
    """Whole lines, each ended by a line feed, of which the first is number `first` of the file."""

    text: bytes
    first: int


def blocks(source: Source, size: int = BLOCK) -> Iterator[Block]:
    """The lines of a file in blocks of about `size` bytes.

    A last line without a line feed gets one; where a compressed file is cut short, that part of a line
    is left out. A line longer than MAX_LINE comes as its first MAX_LINE + 1 bytes.
    """
    line = 1
    for text in _whole_lines(source, size):
        if line == 1:
            text = text.removeprefix(b"\xef\xbb\xbf")
        yield Block(text, line)
        line += text.count(b"\n")


def _whole_lines(source: Source, size: int) -> Iterator[bytes]:
    parts: list[bytes] = []
    held = 0
    while data := source.read():
        end = data.rfind(b"\n") + 1
        if end and held + end >= size:
            yield b"".join((*parts, data[:end]))
            parts, held = [data[end:]], len(data) - end
        else:
            parts.append(data)
            held += len(data)
            if not end and held > 2 * MAX_LINE:
                parts = _shorten(parts)
                held = sum(map(len, parts))
    rest = b"".join(parts)
    if source.cut_short:
        rest = rest[: rest.rfind(b"\n") + 1]
    if rest:
        yield rest if rest.endswith(b"\n") else rest + b"\n"


def _shorten(parts: list[bytes]) -> list[bytes]:
    """Keep of an endless last line only so much that it is seen to be too long."""
    text = b"".join(parts)
    start = text.rfind(b"\n") + 1
    return [text[:start], text[start : start + MAX_LINE + 1]]
