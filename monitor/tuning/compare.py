"""Two replays of the same recordings side by side: events gained, lost, moved, changed, each with its plot."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from markupsafe import Markup

from monitor.errors import InputError
from monitor.model import NS
from monitor.replay.minutes import Minutes, read_minutes
from monitor.skid import SkidSettings
from monitor.times import parse_rfc3339
from monitor.tuning.around import draw_around
from monitor.tuning.page import render, write_files
from monitor.web.words import duration, kind_of

PAGE, NUMBERS = "comparison.html", "comparison.json"
FAR_S = 3_600.0         # an event that moved by more is another one
MOST_PLOTS = 200
SAID = ("vessel", "detail", "grade")


@dataclass(frozen=True, slots=True)
class Told:
    """An event as events.jsonl holds it. time: ns."""

    time: int
    kind: str
    transition: str
    signal: str | None
    said: tuple[str | None, ...]    # vessel, detail, grade
    message: str

    @property
    def words(self) -> str:
        named = [kind_of(self.kind).words, self.transition, self.signal, *self.said]
        return ", ".join(word for word in named if word)


@dataclass(frozen=True, slots=True)
class Pair:
    """What is the same event in both runs, or in one alone."""

    a: Told | None
    b: Told | None

    @property
    def what(self) -> str:
        if self.a is None or self.b is None:
            return "gained" if self.a is None else "lost"
        if self.a.said != self.b.said:
            return "changed"
        return "moved" if self.a.time != self.b.time else "same"

    @property
    def first(self) -> Told:
        told = self.a or self.b
        assert told is not None
        return told

    @property
    def moved_s(self) -> float:
        """How much later in the second run."""
        return 0.0 if self.a is None or self.b is None else (self.b.time - self.a.time) / NS

    @property
    def words(self) -> str:
        if self.a is not None and self.b is not None and self.a.said != self.b.said:
            return f"{self.a.words} -> {', '.join(word for word in self.b.said if word)}"
        return self.first.words

    @property
    def moved(self) -> str:
        if not self.moved_s:
            return ""
        return f"{duration(abs(self.moved_s))} {'later' if self.moved_s > 0 else 'earlier'}"


def compare(a: Sequence[Told], b: Sequence[Told], far_s: float = FAR_S) -> list[Pair]:
    """Pairs in order of time: the nearest of the same kind, transition and signal are one event, at most `far_s` apart;
    among equally near ones that say the same."""
    near = [(abs(x.time - y.time), x.said != y.said, i, j) for i, x in enumerate(a) for j, y in _about(b, x, far_s)]
    left_a, left_b, pairs = set(range(len(a))), set(range(len(b))), []
    for _, _, i, j in sorted(near):
        if i in left_a and j in left_b:
            left_a.remove(i)
            left_b.remove(j)
            pairs.append(Pair(a[i], b[j]))
    pairs += [Pair(a[i], None) for i in left_a] + [Pair(None, b[j]) for j in left_b]
    return sorted(pairs, key=lambda pair: (pair.first.time, pair.first.words, pair.a is None))


def _about(events: Sequence[Told], x: Told, far_s: float) -> Iterator[tuple[int, Told]]:
    for j, y in enumerate(events):
        alike = (x.kind, x.transition, x.signal) == (y.kind, y.transition, y.signal)
        if alike and abs(x.time - y.time) <= far_s * NS:
            yield j, y


def read_run(folder: Path) -> tuple[list[Told], Minutes]:
    """Events and minutes of a replay's folder; InputError names what is wrong."""
    path = folder / "events.jsonl"
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        raise InputError(f"{folder}: no events.jsonl that can be read; accepted: the --out of a replay") from None
    events = [_event(line, f"{path}:{number}") for number, line in enumerate(lines, 1) if line.strip()]
    return events, read_minutes(folder / "minutes.csv")


def _event(line: str, where: str) -> Told:
    try:
        event = json.loads(line)
        time = parse_rfc3339(event["time"])
        if isinstance(time, str):
            raise ValueError(time)
        return Told(time, str(event["kind"]), str(event["transition"]), event.get("signal"),
                    tuple(event.get(name) for name in SAID), str(event.get("message", "")))
    except (ValueError, KeyError, TypeError, AttributeError):
        raise InputError(f"{where}: no event; accepted: a line of a replay's events.jsonl") from None


def write(pairs: Sequence[Pair], a: Minutes, b: Minutes, names: tuple[str, str], folder: Path,
          skid: SkidSettings | None = None) -> None:  # fmt: skip
    """The page, and the same for programs. skid: whose units and limits the plots have; bar and m^3/h without."""
    different = [pair for pair in pairs if pair.what != "same"]
    shown: list[tuple[Pair, Markup]] = []
    for pair in different[:MOST_PLOTS]:
        level = kind_of(pair.first.kind).level
        marks = [(told.time, f"{level} firm" if told is pair.b else level)
                 for told in (pair.b, pair.a) if told is not None]
        shown.append((pair, draw_around(a if pair.a is not None else b, marks, skid)))
    page = render("comparison.html", names=names, counts=counts(pairs), shown=shown,
                  left_out=max(0, len(different) - MOST_PLOTS))  # fmt: skip
    write_files(folder, {PAGE: page, NUMBERS: json.dumps(numbers(pairs), indent=1) + "\n"})


def counts(pairs: Sequence[Pair]) -> dict[str, int]:
    """How many are gained, lost, moved, changed, the same."""
    what = [pair.what for pair in pairs]
    return {word: what.count(word) for word in ("gained", "lost", "moved", "changed", "same")}


def numbers(pairs: Sequence[Pair]) -> dict[str, Any]:
    """JSON types only."""
    return {"counts": counts(pairs), "differences": [
        {"what": p.what, "kind": p.first.kind, "transition": p.first.transition, "signal": p.first.signal,
         "moved_s": p.moved_s, "first": p.a.message if p.a else None, "second": p.b.message if p.b else None}
        for p in pairs if p.what != "same"]}  # fmt: skip
