"""What a tuning came to: the page, the fragment, and all numbers for programs."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from markupsafe import Markup

from monitor.model import Event
from monitor.replay.minutes import Minutes
from monitor.tuning.around import draw_around
from monitor.tuning.charts import Chart, Marks, draw_chart
from monitor.tuning.choice import NEEDLESS
from monitor.tuning.evaluate import asks_for_forecasts, judged
from monitor.tuning.expect import Expected, rate_interval, share_interval, warnings
from monitor.tuning.fragment import fragment, reason
from monitor.tuning.material import Material
from monitor.tuning.page import render, write_files
from monitor.tuning.score import How, Score, Totals, a_month, score
from monitor.tuning.tried import Results
from monitor.tuning.tune import Tuned
from monitor.web.words import duration, kind_of

FRAGMENT, PAGE, NUMBERS = "recommended.toml", "report.html", "tuning.json"
MOST_PLOTS = 30
WORDS = {How.FOUND: "found", How.LATE: "found late", How.MISSED: "missed", How.ASTRAY: "the wrong vessel named"}


@dataclass(frozen=True, slots=True)
class Row:
    """Counts in words, for a table."""

    name: str
    missed: str
    late: str
    wrong: str
    false: str
    needless: str
    pushes: str
    delay: str


@dataclass(frozen=True, slots=True)
class Story:
    """An event or label that came out differently, or wrong, with its plot."""

    time: int
    recording: str
    what: str
    today: str
    then: str
    plot: Markup


def write(tuned: Tuned, folder: Path, sources: Sequence[str]) -> dict[str, object]:
    """Write report, fragment and numbers to `folder`; returns the numbers."""
    told, now = notes(tuned), tuned.totals(tuned.best)
    numbers = numbers_of(tuned)
    write_files(folder, {
        FRAGMENT: fragment(tuned.changes, now, tuned.days, sources=sources, notes=told),
        NUMBERS: json.dumps(numbers, indent=1) + "\n",
        PAGE: page(tuned, told, sources),
    })  # fmt: skip
    return numbers


def notes(tuned: Tuned) -> list[str]:
    """What has to be known before the recommendation is believed."""
    kinds = [kind for group in tuned.groups for kind in group.kinds if kind in tuned.kinds]
    by_kind = {kind: tuned.totals(tuned.best, [kind]) for kind in kinds}
    told = warnings(by_kind, kinds, tuned.days, len(tuned.materials))
    waiting = sum(m.labels.proposals for m in tuned.materials)
    if waiting:
        told.insert(0, f"{waiting} proposed labels are not confirmed and counted for nothing.")
    if not all(asks_for_forecasts(m) for m in tuned.materials):
        told.append("changeout-forecast: judged only in recordings with a label of that kind.")
    if untold := not_told_apart(tuned):
        told.append(f"Left as today, since no label tells it from the program's own: {', '.join(untold)}.")
    if not tuned.finished:
        told.insert(0, "Stopped before its end: the best so far. The same command goes on from here.")
    return told


def not_told_apart(tuned: Tuned) -> list[str]:
    """Settings that are other than the program's own, and for which these labels count the same with either."""
    found = []
    for knob in (k for group in tuned.groups for k in group.knobs if k.name not in tuned.values):
        curve = dict(tuned.curves.get(knob.name, ()))
        here, usual = curve.get(knob.today), curve.get(knob.usual)
        if knob.today != knob.usual and here is not None and usual is not None and abs(here - usual) < NEEDLESS / 2:
            found.append(f"{knob.name} {knob.written(knob.today)} ({knob.written(knob.usual)})")
    return found


def row(name: str, t: Totals, days: float) -> Row:
    delay = t.mean_delay
    late = "" if delay is None else duration(delay) if delay >= 0 else f"{duration(-delay)} early"
    return Row(
        name, f"{t.missed} of {t.expected}", str(t.late), str(t.wrong), f"{t.false} ({a_month(t.false, days):.1f})",
        f"{t.needless} ({a_month(t.needless, days):.1f})", f"{t.pushes} ({a_month(t.pushes, days):.1f})", late,
    )  # fmt: skip


def expected_words(expected: Expected) -> list[str]:
    """What to expect on new data, with intervals."""
    t = expected.together
    low, high = share_interval(t.missed, t.expected)
    fewest, most = rate_interval(t.false, expected.days)
    return [
        f"Missed: {t.missed} of {t.expected} events on recordings left out; 90 % interval {100 * low:.0f} to "
        f"{100 * high:.0f} %.",
        f"False: {a_month(t.false, expected.days):.1f} in thirty skid-days; 90 % interval {fewest:.1f} to {most:.1f}.",
        f"Late: {t.late}; needless messages: {a_month(t.needless, expected.days):.1f} in thirty skid-days.",
    ]


def page(tuned: Tuned, told: Sequence[str], sources: Sequence[str]) -> str:
    days = tuned.days
    rows = [row("Today", tuned.totals(tuned.today), days), row("Recommended", tuned.totals(tuned.best), days)]
    if tuned.usual is not None and tuned.usual != tuned.today:
        rows.append(row("The program's own defaults", tuned.totals(tuned.usual), days))
    if tuned.expected is not None:
        rows.append(row("Recommended, on recordings left out", tuned.expected.together, days))
    kinds = [(kind_of(k).words, [row("Today", tuned.totals(tuned.today, [k]), days),
                                 row("Recommended", tuned.totals(tuned.best, [k]), days)]) for k in tuned.kinds]
    now = tuned.totals(tuned.best)
    return render(
        "tuning.html", sources=sources, days=days, recordings=len(tuned.materials), rows=rows, kinds=kinds, notes=told,
        changes=[(c.knob.name, c.knob.written(c.knob.today), c.knob.written(c.value), reason(c, now, days))
                 for c in tuned.changes],
        expected=[] if tuned.expected is None else expected_words(tuned.expected),
        trade_off=trade_off(tuned), curves=list(curves(tuned)), stories=list(stories(tuned)), most=MOST_PLOTS,
        tried=len(tuned.trials), miss=f"{tuned.miss:g}",
    )  # fmt: skip


def trade_off(tuned: Tuned) -> Markup:
    """False alarms a month against what was not found in time, every set that was tried."""

    def place(results: Results) -> tuple[float, float]:
        t = tuned.totals(results)
        return a_month(t.false, tuned.days), float(t.missed + t.late)

    points = sorted({place(trial.results) for trial in tuned.trials} | {place(tuned.best), place(tuned.today)})
    edge: list[tuple[float, float]] = []
    for x, y in points:
        if not edge or y < edge[-1][1]:
            edge.append((x, y))
    marks = [Marks("the best of them", edge, "step"), Marks("sets tried", points, "dot"),
             Marks("today", [place(tuned.today)], "today"), Marks("recommended", [place(tuned.best)], "best")]
    return draw_chart(Chart("Trade-off", "labels missed or late", "false alarms in 30 skid-days", marks, 220))


def curves(tuned: Tuned) -> Iterator[Markup]:
    """How the cost goes with each knob alone, the others as recommended."""
    for group in tuned.groups:
        for knob in group.knobs:
            curve = tuned.curves.get(knob.name)
            if not curve:
                continue
            value = tuned.values.get(knob.name, knob.today)
            at = dict(curve)
            marks = [Marks("", curve, "line"), Marks("today", [(knob.today, at[knob.today])], "today")]
            if value in at:
                marks.append(Marks("recommended", [(value, at[value])], "best"))
            stretched = knob.is_logarithmic and min(at) > 0     # a delay of nothing has no logarithm
            yield draw_chart(Chart(knob.name, "cost, in false alarms", knob.unit, marks, 90, stretched))


def stories(tuned: Tuned) -> Iterator[Story]:
    """What is missed, late, astray or false, today or then: plotted, the worst kinds first."""
    shown = 0
    for place, material in enumerate(tuned.materials):
        if not _differs(tuned, place) or shown >= MOST_PLOTS:
            continue
        changes = {c.knob.name: c.knob.written(c.value) for c in tuned.changes}
        for story in _stories_of(material, changes):
            if shown < MOST_PLOTS:
                shown += 1
                yield story


def _differs(tuned: Tuned, place: int) -> bool:
    """Whether anything of a recording is worth showing."""
    every = [t for results in (tuned.today, tuned.best) for t in results[place].values()]
    return any(t.missed or t.late or t.false for t in every)


def _stories_of(material: Material, changes: dict[str, str]) -> Iterator[Story]:
    before, _ = _run(material, {})
    after, minutes = _run(material, changes)
    skid = material.template.settings(changes)
    for old, new in zip(before.outcomes, after.outcomes, strict=True):
        if old.how is How.FOUND and new.how is How.FOUND:
            continue
        marks = [(old.label.time, "note")]
        marks += [(o.event.time, kind_of(o.label.kind).level) for o in (old, new) if o.event is not None]
        named = f"{kind_of(old.label.kind).words}{f', {old.label.vessel}' if old.label.vessel else ''}"
        yield Story(old.label.time, material.name, named, WORDS[old.how], WORDS[new.how],
                    draw_around(minutes, marks, skid))  # fmt: skip
    gone = {(e.kind, e.time): e for e in _false(before)}
    stays = {(e.kind, e.time): e for e in _false(after)}
    for key in sorted(gone.keys() | stays.keys(), key=lambda k: (k[1], k[0])):
        event = stays.get(key) or gone[key]
        yield Story(event.time, material.name, f"{kind_of(event.kind).words}, no label", "raised" if key in gone else
                    "quiet", "raised" if key in stays else "quiet",
                    draw_around(minutes, [(event.time, kind_of(event.kind).level)], skid))  # fmt: skip


def _run(material: Material, changes: dict[str, str]) -> tuple[Score, Minutes]:
    output = judged(material.rows, material.template.settings(changes), minutes=True,
                    forecasts=asks_for_forecasts(material))  # fmt: skip
    scored = score(material.labels, output.events, vessel_pressures=material.vessel_pressures)
    return scored, Minutes.of([minute for _, minute in output.minutes])


def _false(scored: Score) -> list[Event]:
    return [s.event for s in scored.strays if s.how is How.FALSE]


def numbers_of(tuned: Tuned) -> dict[str, object]:
    """Everything counted, for programs. JSON types only."""
    def counted(results: Results) -> dict[str, object]:
        by_kind = {kind: asdict(tuned.totals(results, [kind])) for kind in tuned.kinds}
        return {"together": asdict(tuned.totals(results)), "by_kind": by_kind}

    expected = tuned.expected
    return {
        "recordings": [m.name for m in tuned.materials], "skid_days": round(tuned.days, 4), "sets": len(tuned.trials),
        "finished": tuned.finished, "today": counted(tuned.today), "recommended": counted(tuned.best),
        "changes": {c.knob.name: c.knob.written(c.value) for c in tuned.changes},
        "left_out": None if expected is None else {
            "together": asdict(expected.together), "folds": expected.folds,
            "by_kind": {kind: asdict(t) for kind, t in expected.by_kind.items()},
        },
    }  # fmt: skip
