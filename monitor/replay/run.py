"""`bagwright replay`: recordings of one skid through the engine, in one pass and bounded memory."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from monitor.engine.engine import Engine, Output
from monitor.engine.sequencer import Fate
from monitor.engine.told import ForecastRow
from monitor.errors import InputError
from monitor.forecast.life import ElementLife
from monitor.ingest.recording import Chunk, Recordings, open_recordings
from monitor.model import Event, Quality, Reason, Rejection, Rows
from monitor.replay.memory import recall
from monitor.replay.minutes import Minutes
from monitor.replay.outputs import Outputs
from monitor.report.report import render_report
from monitor.skid import SkidSettings

TREND_BUCKETS = 4000
FATES = {
    "late": (Reason.LATE, "older than what had been judged when it came: kept here, not judged"),
    "repeated": (Reason.REPEATED, "the same signal, time and value once more"),
    "conflicting": (Reason.CONFLICTING, "another value for a signal and time that had one; the first stands"),
}


@dataclass(slots=True)
class Summary:
    """What a replay did. used: readings that were believed and judged; numbers: rows that held one, believed or not."""

    used: int = 0
    numbers: int = 0
    rejected: Counter[Reason] = field(default_factory=Counter)
    first_refused: list[Rejection] = field(default_factory=list)    # one, where there is any
    events: list[Event] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    forecasts: list[ForecastRow] = field(default_factory=list)
    lives: list[ElementLife] = field(default_factory=list)
    minutes: list[Minutes] = field(default_factory=list)

    def refuse(self, rejections: Sequence[Rejection]) -> None:
        self.rejected.update(r.reason for r in rejections)
        self.first_refused.extend(rejections[: 1 - len(self.first_refused)])

    def count(self, rows: Rows, fate: Fate) -> None:
        believed = rows.quality < Quality.BAD
        for name in FATES:
            believed[getattr(fate, name)] = False
        self.used += int(np.count_nonzero(believed))
        self.numbers += int(np.count_nonzero(np.isfinite(rows.value)))


def fate_rejections(skid: SkidSettings, rows: Rows, fate: Fate) -> list[tuple[int, Rejection]]:
    """Rows that the sequencer did not hand on, as rejections with their reason, each with its place among the rows."""
    out: list[tuple[int, Rejection]] = []
    for name, (reason, note) in FATES.items():
        indices: npt.NDArray[np.int64] = getattr(fate, name)
        for i in indices.tolist():
            signal = skid.signals[int(rows.signal[i])].id
            time, text = int(rows.time[i]), f"{rows.value[i]:.17g}"
            out.append((i, Rejection(reason, skid.id, signal, "", text, time, note)))
    return out


def in_order(chunk: Chunk, later: list[tuple[int, Rejection]]) -> list[Rejection]:
    """What was refused when read and what when judged, as it came, however the rows were cut into chunks."""
    read = [(at, 0, r) for at, r in zip(chunk.rejected_at.tolist(), chunk.rejections, strict=True)]
    judged = [(at, 1, r) for at, r in later]
    return [r for _, _, r in sorted([*read, *judged], key=lambda item: item[:2])]


def replay(
    recordings: Sequence[Path],
    skid: SkidSettings,
    out: Path,
    *,
    timezone: str | None = None,
    mapping: dict[str, str] | None = None,
    chunk_rows: int = 500_000,
    history: Sequence[ElementLife] = (),
    progress: Callable[[float], None] = lambda done: None,
) -> Summary:
    """Replay recordings as one history and write the contract's files to `out`; InputError without one usable row."""
    source = open_recordings(list(recordings), skid, timezone=timezone, mapping=mapping or {}, chunk_rows=chunk_rows)
    return replay_history(source, skid, out, history=history, progress=progress)


def replay_history(
    source: Recordings, skid: SkidSettings, out: Path, *, history: Sequence[ElementLife] = (),
    progress: Callable[[float], None] = lambda done: None,
) -> Summary:  # fmt: skip
    """Replay what was opened already. history: lives that forecasts start from."""
    engine = Engine([skid], trend_buckets=TREND_BUCKETS)
    summary = Summary()
    left_aside = recall(engine, history)
    with Outputs(out) as outputs:
        for chunk in source:
            output, fates = engine.feed({0: chunk.rows})
            rejections = in_order(chunk, fate_rejections(skid, chunk.rows, fates[0]))
            outputs.quarantine(rejections)
            summary.refuse(rejections)
            summary.count(chunk.rows, fates[0])
            take(output, outputs, summary)
            progress(chunk.done)
        take(engine.finish(), outputs, summary)
        outputs.elements(engine.open_lives(0))
        outputs.minutes(Minutes.concat(summary.minutes).near(event.time for event in summary.events))
        summary.warnings = [*([left_aside] if left_aside else []), *source.warnings]
        if summary.numbers == 0:
            raise InputError(nothing_usable(source.files, summary))
        page = render_report(
            skid=skid,
            trend=engine.rows.trend(),
            events=summary.events,
            counts={"used": summary.used, **{str(k): n for k, n in sorted(summary.rejected.items())}},
            title=f"{skid.name} ({skid.id})",
            forecasts=summary.forecasts,
            plan=engine.plan(0),
        )
        outputs.report(page)
    return summary


def take(output: Output, outputs: Outputs, summary: Summary) -> None:
    outputs.events(output.events)
    outputs.changeouts(output.changeouts)
    outputs.forecasts(output.forecasts)
    outputs.elements(output.lives)
    summary.events.extend(output.events)
    summary.forecasts.extend(output.forecasts)
    summary.lives.extend(output.lives)
    # Kept is what lies near an event: the minutes of ten years would take as much memory as all else.
    newest = Minutes.concat([*summary.minutes[-1:], Minutes.of([minute for _, minute in output.minutes])])
    old, newest = newest.parted()
    summary.minutes[-1:] = [old.near(event.time for event in summary.events), newest]


def nothing_usable(files: Sequence[str], summary: Summary) -> str:
    names = ", ".join(files)
    reasons = ", ".join(f"{n} {reason}" for reason, n in summary.rejected.most_common()) or "there were no rows"
    first = "".join(f"; {r.where}: {r.text[:60]}: {r.note}" for r in summary.first_refused)
    return (f"{names}: not one usable row ({reasons}); accepted: rows with a time and a number for a configured signal"
            f"{first}")
