"""Tables as delimited text: comma, semicolon (decimal commas too) or tab; gzip or not."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from monitor.ingest.recording.piece import Piece
from monitor.ingest.recording.source import BLOCK, READ, Block, Source, blocks
from monitor.ingest.recording.tables import LongTable, WideTable
from monitor.ingest.recording.tidy import Tidy, as_is, is_plain, tidy

ARROW_BLOCK = 4 << 20       # more than two of the longest lines


class Delimited:
    """One text file after its header.

    used: positions of the columns that are read, the time first. numeric: those of them that hold values. dated: the
    first two are a day and a time of day, which belong together.
    """

    def __init__(
        self,
        path: Path,
        table: WideTable | LongTable,
        *,
        delimiter: str,
        header: int,
        width: int,
        used: Sequence[int],
        numeric: Sequence[int],
        decimal_comma: bool,
        dated: bool = False,
    ) -> None:
        self._path, self._table = path, table
        self._delimiter, self._header, self._width = delimiter, header, width
        self._used, self._numeric, self._dated = list(used), set(numeric), dated
        self._point = "," if decimal_comma else "."
        self._typed = True      # until a cell is no plain number
        self.source: Source | None = None

    def pieces(self, block: int = BLOCK, read: int = READ) -> Iterator[Piece]:
        """The file in pieces of about `block` bytes, read `read` bytes at a time."""
        with Source(self._path, read) as source:
            self.source = source
            for text in blocks(source, block):
                body = self._without_header(text)
                if body.text:
                    yield self._piece(body)

    @property
    def done(self) -> float:
        return self.source.done if self.source else 0.0

    @property
    def cut_short(self) -> str | None:
        return self.source.cut_short if self.source else None

    def _without_header(self, block: Block) -> Block:
        """A block from the line after the header on."""
        text, first = block
        while first <= self._header and text:
            text, first = text[text.index(b"\n") + 1 :], first + 1
        return Block(text, first)

    def _piece(self, block: Block) -> Piece:
        lines = as_is(block) if is_plain(block.text) else tidy(block, self._delimiter, self._width)
        columns = self._columns(lines)
        if columns is None:
            lines = tidy(block, self._delimiter, self._width)
            columns = self._columns(lines)
            assert columns is not None, "tidy leaves only lines that Arrow reads as one row each"
        return self._table.piece(_joined(columns) if self._dated else columns, lines.line, lines.faults)

    def _columns(self, lines: Tidy) -> list[Any] | None:
        """The used columns, None where Arrow does not find one row in each line."""
        import pyarrow as pa
        import pyarrow.compute as pc

        if not lines.text:
            return [pa.array([], pa.string()) for _ in self._used]
        if self._typed:
            try:
                table = self._parse(lines.text)
                if all(pc.all(pc.is_finite(column)).as_py() is not False for column in _floats(table)):
                    return _arrays(table) if len(table) == lines.line.size else None
            except pa.ArrowInvalid:
                pass
            self._typed = False
        table = self._parse(lines.text)
        return _arrays(table) if len(table) == lines.line.size else None

    def _parse(self, text: bytes) -> Any:
        import pyarrow as pa
        from pyarrow import csv

        names = [str(i) for i in range(self._width)]
        numeric = pa.float64() if self._typed else pa.string()
        kinds = {names[i]: numeric if i in self._numeric else pa.string() for i in self._used}
        return csv.read_csv(
            pa.BufferReader(text),
            csv.ReadOptions(column_names=names, block_size=ARROW_BLOCK),
            csv.ParseOptions(delimiter=self._delimiter, invalid_row_handler=lambda row: "skip"),
            csv.ConvertOptions(
                check_utf8=False,
                column_types=kinds,
                include_columns=[names[i] for i in self._used],
                null_values=[""],
                strings_can_be_null=True,
                quoted_strings_can_be_null=True,
                decimal_point=self._point,
            ),
        )


def _joined(columns: list[Any]) -> list[Any]:
    """Day and time of day as one."""
    import pyarrow.compute as pc

    day, clock, *rest = columns
    return [pc.binary_join_element_wise(day, clock, " "), *rest]


def _arrays(table: Any) -> list[Any]:
    import pyarrow as pa

    return [pa.concat_arrays(column.chunks) for column in table.columns]


def _floats(table: Any) -> list[Any]:
    import pyarrow as pa

    return [column for column in table.columns if pa.types.is_floating(column.type)]
