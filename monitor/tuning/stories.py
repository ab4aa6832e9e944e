"""What comes out wrong, or other than today, each with its plot: first what the recommendation leaves."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import tzinfo

from markupsafe import Markup

from monitor.model import Event
from monitor.replay.minutes import Minutes
from monitor.tuning.around import draw_around
from monitor.tuning.evaluate import asks_for_forecasts, judged
from monitor.tuning.material import Material
from monitor.tuning.score import How, Score, score
from monitor.tuning.tune import Tuned
from monitor.web.words import kind_of

MOST = 30
WORDS = {How.FOUND: "found", How.LATE: "found late", How.MISSED: "missed", How.ASTRAY: "the wrong vessel named"}
MISSED, FALSE, MENDED = range(3)        # what is looked at first


@dataclass(frozen=True, slots=True)
class Story:
    """A label or event; today, then: what became of it. zone: by whose clocks its recording goes."""

    time: int
    zone: tzinfo
    recording: str
    what: str
    today: str
    then: str
    plot: Markup


@dataclass(frozen=True, slots=True)
class _Found:
    """A story that is not drawn yet. marks: as `draw_around` takes them."""

    rank: int
    time: int
    what: str
    today: str
    then: str
    marks: tuple[tuple[int, str], ...]


def stories(tuned: Tuned) -> tuple[list[Story], int]:
    """At most MOST, in the order of the recordings and of time; and how many there are in all."""
    changes = {c.knob.name: c.knob.written(c.value) for c in tuned.changes}
    places = [place for place in range(len(tuned.materials)) if _differs(tuned, place)]
    found, drawn_from = [], {}
    for place in places:
        these, drawn_from[place] = _found_in(tuned.materials[place], changes)
        found += [(one.rank, place, one) for one in these]
    chosen = sorted(sorted(found, key=lambda f: f[0])[:MOST], key=lambda f: (f[0], f[1], f[2].time))
    return [_drawn(one, tuned.materials[place], drawn_from[place], changes) for _, place, one in chosen], len(found)


def _drawn(one: _Found, material: Material, minutes: Minutes, changes: dict[str, str]) -> Story:
    plot = draw_around(minutes, one.marks, material.template.settings(changes), material.zone)
    return Story(one.time, material.zone, material.name, one.what, one.today, one.then, plot)


def _differs(tuned: Tuned, place: int) -> bool:
    """Whether anything of a recording is worth showing."""
    every = [t for results in (tuned.today, tuned.best) for t in results[place].values()]
    return any(t.missed or t.late or t.false for t in every)


def _found_in(material: Material, changes: dict[str, str]) -> tuple[list[_Found], Minutes]:
    before, _ = _run(material, {})
    after, minutes = _run(material, changes)
    found = [*_labels(before, after), *_unlabelled(before, after)]
    return found, minutes.near(one.time for one in found)


def _labels(before: Score, after: Score) -> Iterator[_Found]:
    for old, new in zip(before.outcomes, after.outcomes, strict=True):
        if old.how is How.FOUND and new.how is How.FOUND:
            continue
        label = old.label
        level = kind_of(label.kind).level
        marks = [(label.time, "note"), *((o.event.time, level) for o in (old, new) if o.event is not None)]
        named = filter(None, (kind_of(label.kind).words, label.vessel, label.signal, label.detail))
        yield _Found(MENDED if new.how is How.FOUND else MISSED, label.time, ", ".join(named), WORDS[old.how],
                     WORDS[new.how], tuple(marks))  # fmt: skip


def _unlabelled(before: Score, after: Score) -> Iterator[_Found]:
    gone = {(e.kind, e.time): e for e in _false(before)}
    stays = {(e.kind, e.time): e for e in _false(after)}
    for key in sorted(gone.keys() | stays.keys(), key=lambda k: (k[1], k[0])):
        event = stays.get(key) or gone[key]
        kind = kind_of(event.kind)
        today, then = ("raised" if key in told else "quiet" for told in (gone, stays))
        yield _Found(FALSE if key in stays else MENDED, event.time, f"{kind.words}, no label", today, then,
                     ((event.time, kind.level),))  # fmt: skip


def _run(material: Material, changes: dict[str, str]) -> tuple[Score, Minutes]:
    output = judged(material.rows, material.template.settings(changes), minutes=True,
                    forecasts=asks_for_forecasts(material))  # fmt: skip
    scored = score(material.labels, output.events, vessel_pressures=material.vessel_pressures)
    return scored, Minutes.of([minute for _, minute in output.minutes])


def _false(scored: Score) -> list[Event]:
    return [s.event for s in scored.strays if s.how is How.FALSE]
