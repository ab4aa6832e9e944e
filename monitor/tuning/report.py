"""What a tuning came to: the page, the fragment, and all numbers for programs."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from markupsafe import Markup

from monitor.tuning.charts import Chart, Marks, draw_chart
from monitor.tuning.choice import NEEDLESS
from monitor.tuning.evaluate import asks_for_forecasts
from monitor.tuning.expect import Expected, rate_interval, share_interval, warnings
from monitor.tuning.folds import sorts_of
from monitor.tuning.fragment import fragment, reason
from monitor.tuning.page import render, write_files
from monitor.tuning.score import Totals, a_month
from monitor.tuning.stories import stories
from monitor.tuning.tried import Results, Values
from monitor.tuning.tune import Tuned
from monitor.web.words import duration, kind_of

FRAGMENT, PAGE, NUMBERS = "recommended.toml", "report.html", "tuning.json"


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
    told = warnings(by_kind, kinds, tuned.days, [sorts_of(m.labels) for m in tuned.materials])
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
    others = [row(f"A miss worth {one.miss:.2g} false alarms", one.counts, days) for one in tuned.otherwise]
    kinds = [(kind_of(k).words, [row("Today", tuned.totals(tuned.today, [k]), days),
                                 row("Recommended", tuned.totals(tuned.best, [k]), days)]) for k in tuned.kinds]
    now = tuned.totals(tuned.best)
    shown, of = stories(tuned)
    return render(
        "tuning.html", sources=sources, days=days, recordings=len(tuned.materials), rows=rows, kinds=kinds, notes=told,
        changes=[(c.knob.name, c.knob.written(c.knob.today), c.knob.written(c.value), reason(c, now, days))
                 for c in tuned.changes],
        expected=[] if tuned.expected is None else expected_words(tuned.expected),
        trade_off=trade_off(tuned), others=[rows[1], *others], curves=list(curves(tuned)), stories=shown, of=of,
        tried=len(tuned.trials), finished=tuned.finished, miss=f"{tuned.miss:g}",
    )  # fmt: skip


def written(tuned: Tuned, values: Values) -> dict[str, str]:
    """Values as they stand in a file."""
    return {k.name: k.written(values[k.name]) for group in tuned.groups for k in group.knobs if k.name in values}


def trade_off(tuned: Tuned) -> Markup:
    """False alarms a month against what was not found in time, every set that was tried."""

    def axes(t: Totals) -> tuple[float, float]:
        return a_month(t.false, tuned.days), float(t.missed + t.late)

    def place(results: Results) -> tuple[float, float]:
        return axes(tuned.totals(results))

    other = {axes(one.counts) for one in tuned.otherwise}
    points = sorted({place(trial.results) for trial in tuned.trials} | {place(tuned.best), place(tuned.today)} | other)
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
        "otherwise": [{"miss": one.miss, "counts": asdict(one.counts), "settings": written(tuned, one.values)}
                      for one in tuned.otherwise],
        "left_out": None if expected is None else {
            "together": asdict(expected.together), "folds": expected.folds,
            "by_kind": {kind: asdict(t) for kind, t in expected.by_kind.items()},
        },
    }  # fmt: skip
