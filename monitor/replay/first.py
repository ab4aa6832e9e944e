"""The first replay of a case: all that the engine says, in memory, for changeouts and labels to be drawn from it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from monitor.engine.engine import Engine, Output
from monitor.errors import InputError
from monitor.ingest.recording import Recordings
from monitor.replay.minutes import Minutes
from monitor.replay.run import Summary, fate_rejections, in_order, nothing_usable
from monitor.skid import SkidSettings


@dataclass(slots=True)
class FirstReplay:
    """output: all but minutes, which come as arrays; first, last: times of the rows, ns."""

    summary: Summary = field(default_factory=Summary)
    output: Output = field(default_factory=Output)
    minutes: list[Minutes] = field(default_factory=list)
    first: int = np.iinfo(np.int64).max
    last: int = np.iinfo(np.int64).min

    def take(self, output: Output) -> None:
        self.minutes.append(Minutes.of([minute for _, minute in output.minutes]))
        output.minutes = []
        self.output.join(output)


def first_replay(
    source: Recordings, skid: SkidSettings, progress: Callable[[float], None] = lambda done: None
) -> FirstReplay:  # fmt: skip
    """Replay what was opened; InputError without one usable row."""
    engine, found = Engine([skid]), FirstReplay()
    for chunk in source:
        output, fates = engine.feed({0: chunk.rows})
        found.summary.count(chunk.rows, fates[0])
        found.summary.refuse(in_order(chunk, fate_rejections(skid, chunk.rows, fates[0])))
        in_time = np.delete(chunk.rows.time, fates[0].late)
        if in_time.size:
            found.first, found.last = min(found.first, int(in_time.min())), max(found.last, int(in_time.max()))
        found.take(output)
        progress(chunk.done)
    found.take(engine.finish())
    found.summary.warnings = list(source.warnings)
    if found.summary.numbers == 0:
        raise InputError(nothing_usable(source.files, found.summary))
    return found
