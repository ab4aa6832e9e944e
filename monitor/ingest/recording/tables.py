"""Columns of a wide or long table -> pieces: rows in order of the file, and what could not be used."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from monitor.conditioning.range import BEYOND_LIMITS, grade, is_contact, limits, span
from monitor.ingest.recording.arrow import Array, numbers
from monitor.ingest.recording.cells import Cells, Reading, as_text, read_numbers, read_qualities
from monitor.ingest.recording.clock import Clock, Times
from monitor.ingest.recording.names import Scale
from monitor.ingest.recording.piece import Assembler, Fault, Flags, Floats, Ints, Piece
from monitor.ingest.words import on_off
from monitor.model import Quality, Reason, Rows
from monitor.skid import SkidSettings

NAMES_KEPT = 1000       # different unknown names that are counted one by one


@dataclass(slots=True)
class Context:
    """What all readers of one history share. merged: whether arrival times are needed."""

    skid: SkidSettings
    merged: bool = True
    unknown: Counter[str] = field(default_factory=Counter)

    def count_unknown(self, name: str, times: int = 1) -> None:
        if name in self.unknown or len(self.unknown) < NAMES_KEPT:
            self.unknown[name] += times

    def spans(self, signals: Sequence[int]) -> tuple[Floats, Floats]:
        """Low and high ends of the signals' spans, as NE 43 judges them."""
        ends = np.array([span(self.skid.signals[i]) for i in signals], np.float64).reshape(-1, 2)
        return ends[:, 0], ends[:, 1]


class WideTable:
    """A time column, then one column per signal; an empty cell is no sample."""

    def __init__(
        self, context: Context, file: str, signals: Sequence[int], scales: Sequence[Scale | None], clock: Clock,
        how: Reading,
    ) -> None:  # fmt: skip
        """signals: index of the signal in each value column, in order of columns; scales: how its values get the
        configured unit."""
        self._scales = list(scales)
        self._signals = [context.skid.signals[i] for i in signals]
        self._index = np.array(signals, np.int16)
        self._low, self._high = context.spans(signals)
        self._clock, self._how = clock, how
        self._assembler = Assembler(context.skid.id, file, context.merged)

    def piece(self, columns: Sequence[Array], line: Ints, faults: list[Fault]) -> Piece:
        """columns: the times, then the values. line: number of each row's line. faults: of lines left out."""
        times = self._clock.read(columns[0])
        faults += _bad_times(self._clock, columns[0], times, line)
        shape = (line.size, len(self._signals))
        values, filled, quality = np.empty(shape), np.empty(shape, bool), np.zeros(shape, np.uint8)
        for j, signal in enumerate(self._signals):
            cells = read_numbers(columns[j + 1], is_contact(signal), self._how)
            values[:, j], filled[:, j] = _scaled(cells.values, self._scales[j]), cells.filled
            for row, reason, text, note in cells.odd:
                quality[row, j] = Quality.BAD
                if times.usable[row]:
                    faults.append(Fault(int(line[row]), j, reason, signal.id, text, int(times.ns[row]), note))
        if not times.usable.all():
            filled &= times.usable[:, None]
        self._grade(values, filled, quality, times.ns, line, faults)
        if filled.all() and not faults:     # the usual case of one scan of all signals
            every = np.repeat(times.ns, shape[1]), np.tile(self._index, shape[0])
            rows = Rows(*every, values.ravel(), quality.ravel())
            return self._assembler.clean(rows, rows.time)
        at = np.nonzero(filled)
        rows = Rows(times.ns[at[0]], self._index[at[1]], values[at], quality[at])
        return self._assembler.piece(rows, line[at[0]], at[1].astype(np.int16), rows.time, faults)

    def _grade(
        self, values: Floats, filled: Flags, quality: Any, ns: Ints, line: Ints, faults: list[Fault]
    ) -> None:
        """Mark what lies beyond NE 43's limits; few values do, so the many are only compared."""
        at = limits(self._low, self._high)
        row, column = np.nonzero(filled & ~((values >= at.measure_low) & (values <= at.measure_high)))
        grades = grade(values[row, column], self._low[column], self._high[column])
        quality[row, column] = np.maximum(quality[row, column], grades)
        for i in np.flatnonzero((grades == Quality.BAD) & np.isfinite(values[row, column])):
            r, c = row[i], column[i]
            place, text = (int(line[r]), int(c)), repr(float(values[r, c]))
            faults.append(Fault(*place, Reason.OUT_OF_RANGE, self._signals[c].id, text, int(ns[r]), BEYOND_LIMITS))


def _scaled(values: Floats, scale: Scale | None) -> Floats:
    return values if scale is None else values * scale[0] + scale[1]


def _bad_times(clock: Clock, column: Array, times: Times, line: Ints) -> list[Fault]:
    import pyarrow as pa

    bad = np.flatnonzero(~times.usable)
    if not bad.size:
        return []
    cells = column.take(pa.array(bad))
    texts = _timestamps_as_text(cells) if pa.types.is_timestamp(cells.type) else cells.to_pylist()
    return [
        Fault(int(line[row]), -1, Reason.BAD_TIME, None, "" if cell is None else str(cell), None, clock.explain(cell))
        for row, cell in zip(bad.tolist(), texts, strict=True)
    ]


def _timestamps_as_text(cells: Array) -> list[str | None]:
    import pyarrow as pa

    unit, end = cells.type.unit, "Z" if cells.type.tz else ""
    ticks = cells.cast(pa.int64()).to_pylist()
    return [None if tick is None else f"{np.datetime64(tick, unit)}{end}" for tick in ticks]


class LongTable:
    """One reading a line: time, signal, value, and perhaps quality."""

    def __init__(
        self, context: Context, file: str, names: Mapping[str, tuple[int, Scale | None]], clock: Clock, how: Reading
    ) -> None:  # fmt: skip
        """names: what the signal column may say -> index of the signal, and how its values get the configured unit."""
        self._context, self._clock = context, clock
        self._names = {name: index for name, (index, _) in names.items()}
        self._scales = {name: scale for name, (_, scale) in names.items() if scale is not None}
        self._how = how._replace(nan_is_empty=False)
        self._ids = [signal.id for signal in context.skid.signals]
        self._contact = [is_contact(signal) for signal in context.skid.signals]
        self._low, self._high = context.spans(range(len(self._ids)))
        self._assembler = Assembler(context.skid.id, file, context.merged)

    def piece(self, columns: Sequence[Array], line: Ints, faults: list[Fault]) -> Piece:
        """columns: time, signal, value, and quality where there is one. line, faults: as for WideTable."""
        times = self._clock.read(columns[0])
        names, codes = self._coded(columns[1])
        signal, unknown = self._signals(names, codes, times, line)
        cells = self._in_unit(read_numbers(columns[2], False, self._how), names, codes)
        stated = read_qualities(columns[3]) if len(columns) > 3 else np.zeros(line.size, np.uint8)
        known = signal >= 0
        bad_times = _bad_times(self._clock, columns[0], times, line)
        ok = known & times.usable
        refused = unknown + [fault for fault, fine in zip(bad_times, known[~times.usable], strict=True) if fine]
        kept, reasons = self._judge(cells, signal, stated, ok)
        for row, (reason, text, note) in reasons.items():
            refused.append(
                Fault(int(line[row]), 0, reason, self._ids[signal[row]], text, int(times.ns[row]), note)
            )
        at = np.flatnonzero(kept)
        rows = Rows(times.ns[at], signal[at].astype(np.int16), cells.values[at], stated[at])
        return self._assembler.piece(rows, line[at], np.zeros(at.size, np.int16), rows.time, faults + refused)

    def _coded(self, column: Array) -> tuple[list[str], Ints]:
        """The different names, and which of them each row has; as many as there are where it has none."""
        import pyarrow as pa

        coded = as_text(column).dictionary_encode()
        names = [name.strip() for name in coded.dictionary.to_pylist()]
        return names, numbers(coded.indices.cast(pa.int64()), len(names))

    def _in_unit(self, cells: Cells, names: Sequence[str], codes: Ints) -> Cells:
        values = cells.values
        for code, name in enumerate(names):
            if name in self._scales:
                values = np.where(codes == code, _scaled(values, self._scales[name]), values)
        return cells._replace(values=values)

    def _signals(self, names: Sequence[str], codes: Ints, times: Times, line: Ints) -> tuple[Ints, list[Fault]]:
        """Index of each row's signal, -1 where it is not configured."""
        table = np.array([*(self._names.get(name, -1) for name in names), -1], np.int64)
        signal = table[codes]
        faults = []
        for row in np.flatnonzero(signal < 0).tolist():
            name = [*names, ""][codes[row]]
            self._context.count_unknown(name)
            note = "no configured signal has this name" if name else "no signal is named"
            ns = int(times.ns[row]) if times.usable[row] else None
            faults.append(Fault(int(line[row]), 0, Reason.UNKNOWN_SIGNAL, None, name, ns, note))
        return signal, faults

    def _judge(
        self, cells: Cells, signal: Ints, stated: Any, ok: Flags
    ) -> tuple[Flags, dict[int, tuple[Reason, str, str]]]:
        """Which rows are kept, and row -> (reason, text, note) of what is reported. Sets `stated` to the
        quality and `cells.values` to the value of each row that is kept."""
        reasons: dict[int, tuple[Reason, str, str]] = {}
        kept = cells.filled & ok
        empty = ok & ~cells.filled
        for row, reason, text, note in cells.odd:
            empty[row] = False
            state = on_off(text) if ok[row] and self._contact[signal[row]] else None
            if state is not None:
                cells.values[row] = state
            elif ok[row]:
                reasons[row] = (reason, text, note)
                stated[row] = max(stated[row], Quality.BAD)
        for row in np.flatnonzero(empty).tolist():
            kept[row] = stated[row] >= Quality.BAD
            reason = Reason.BAD_QUALITY if kept[row] else Reason.UNDECODABLE
            reasons[row] = (reason, "", "the source says there is no value" if kept[row] else "no value")
        finite = np.flatnonzero(kept & np.isfinite(cells.values))
        grades = grade(cells.values[finite], self._low[signal[finite]], self._high[signal[finite]])
        for row in finite[grades == Quality.BAD].tolist():
            reasons[row] = (Reason.OUT_OF_RANGE, repr(float(cells.values[row])), BEYOND_LIMITS)
        for row in finite[(grades < Quality.BAD) & (stated[finite] >= Quality.BAD)].tolist():
            reasons[row] = (Reason.BAD_QUALITY, repr(float(cells.values[row])), "the source says it cannot be believed")
        stated[finite] = np.maximum(stated[finite], grades)
        return kept, reasons
