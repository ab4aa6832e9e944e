"""What tuning is worth on recordings that it has not seen.

    python tests/bench/measure_tuning.py --corpus FOLDER     # simulated recordings, a folder each
    python tests/bench/measure_tuning.py --liquid FOLDER     # CSV files of the PHM Society Europe challenge 2020

--corpus  from deliberately poor settings: the recordings halved so that either half has its share of each sort of label
          (as `tune` itself leaves recordings out); tuned on one half, counted on the other, both ways, beside the poor
          settings, the program's own defaults and what a longer search (--best sets) finds on that other half itself;
          the best that is known is the cheaper of these two
--liquid  one filter each, run from clean to 20 psi, at three levels of solids: tuned on two, counted on the third.
          Wanted is `changeout-due` 5 to 40 s before the smoothed dP first passes 20 psi; what comes sooner is false

Run as a program; prints tables, judges nothing. Each row is missed / late / false / needless of so many labels.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "bench")]

import bench_tune  # noqa: E402
import measure_rigs as rigs  # noqa: E402

from monitor.config.overrides import template_of  # noqa: E402
from monitor.model import NS  # noqa: E402
from monitor.tuning.choice import Chooser  # noqa: E402
from monitor.tuning.evaluate import judged  # noqa: E402
from monitor.tuning.folds import divided, sorts_of  # noqa: E402
from monitor.tuning.groups import counts  # noqa: E402
from monitor.tuning.knobs import chosen_knobs  # noqa: E402
from monitor.tuning.labels import Label, Labels  # noqa: E402
from monitor.tuning.material import Material, sequenced  # noqa: E402
from monitor.tuning.progress import Progress  # noqa: E402
from monitor.tuning.score import Totals  # noqa: E402
from monitor.tuning.tried import Tried, Values  # noqa: E402
from monitor.tuning.tune import Tuned, Wishes, tune  # noqa: E402
from monitor.tuning.workers import Here, processes  # noqa: E402

POOR = """
[alarm.changeout-due]
limit = "80 %"
[alarm.dp-limit]
limit = "55 %"
on_delay = "2 s"
[alarm.element-breach]
loss = "39 %"
likely_loss = "79 %"
[alarm.changeout-suspect]
low = "55 %"
high = "190 %"
[alarm.closure-seep]
thermal = "0.45 bar"
[alarm.signal-fault]
stale = "800 s"
frozen = "3500 s"
spikes = "130 s"
[alarm.surge]
limit = "0.35 bar"
[alarm.flow-blocked]
on_delay = "110 s"
"""
RIG_POOR = '[alarm.changeout-due]\nlimit = "100 %"\non_delay = "60 s"\nsettle = "10 s"\n'
RIG_KEYS = ("alarm.changeout-due.limit=20 %..110 %", "alarm.changeout-due.on_delay=2 s..60 s")
PASSED_PSI = 20.0
OBJECTIVES = ("missed", "late", "false", "needless")
WINDOW_S = (40.0, 5.0)      # before dP passes the point, in which a changeout is best called


def told(name: str, t: Totals) -> str:
    return f"{name:<10} {t.missed + t.wrong:3} / {t.late:3} / {t.false:3} / {t.needless:3}   of {t.expected}"


def tuned_on(made: Sequence[Material], keys: Sequence[str], sets: int, count: int) -> Tuned:
    place = processes(made, count) if count > 1 else nullcontext(Here(made))
    with tempfile.TemporaryDirectory() as folder, place as workers:
        knobs = chosen_knobs(made[0].template.settings({}), keys) if keys else None
        progress = Progress(lambda what, share, left: None)
        return tune(made, knobs, workers, Path(folder), Wishes(sets), progress)


def counted(
    made: Sequence[Material], tuned: Tuned, sets: Sequence[Values], kinds: Sequence[str] | None = None
) -> tuple[list[Totals], list[float]]:
    """Of each set on other recordings, of some kinds or all, with what it costs, in false alarms."""
    with tempfile.TemporaryDirectory() as folder:
        knobs = [knob for group in tuned.groups for knob in group.knobs]
        tried = Tried(made, knobs, Here(made), Path(folder, "tried.jsonl"))
        chooser = Chooser(tried, tuned.groups, range(len(made)), tuned.miss)
        found = [counts(chooser.one(values), chooser.places, kinds) for values in sets]
        return found, [chooser.counted(t) for t in found]


def on_corpus(folder: Path, sets: int, best: int, count: int) -> None:
    with tempfile.TemporaryDirectory() as place:
        made = [poorly_set(m, Path(place)) for m in bench_tune.materials(folder)]
    halves = [[made[place] for place in half] for half in divided([sorts_of(m.labels) for m in made], 2)]
    won = gap = 0.0
    for train, rest in (halves, halves[::-1]):
        closed, whole = one_way(train, rest, sets, best, count)
        won, gap = won + closed, gap + whole
    print(f"both ways together: {100 * won / gap if gap else 100:.0f} % of the gap is closed")


def one_way(train: list[Material], rest: list[Material], sets: int, best: int, count: int) -> tuple[float, float]:
    """Tuned on some, counted on the rest: how much cheaper than the poor settings that is, and how much the best."""
    print(f"tuned on {len(train)} recordings of {sum(m.days for m in train):.1f} skid-days, counted on {len(rest)} of "
          f"{sum(m.days for m in rest):.1f}; labels there and here:", ", ".join(
              f"{sort} {carried(train, sort)} {carried(rest, sort)}" for sort in sorted(
                  {sort for m in (*train, *rest) for sort in sorts_of(m.labels)})))  # fmt: skip
    tuned = tuned_on(train, (), sets, count)
    usual = {k.name: k.usual for group in tuned.groups for k in group.knobs}
    shown: dict[str, Values] = {"poor": {}, "tuned": tuned.values, "defaults": usual}
    results, costs = counted(rest, tuned, list(shown.values()))
    if best:
        longer = tuned_on(rest, (), best, count)
        shown["searched"] = longer.values
        more, more_costs = counted(rest, longer, [longer.values])
        results, costs = results + more, costs + more_costs
    for name, totals, cost in zip(shown, results, costs, strict=True):
        print(f"{told(name, totals)}   cost {cost:.1f}")
    poor, mine = results[0].objectives, results[1].objectives
    worse = [name for name, a, b in zip(OBJECTIVES, poor, mine, strict=True) if b > a]
    won, gap = costs[0] - costs[1], costs[0] - min(costs[2:])
    print(f"of the gap {100 * won / gap if gap else 100:.0f} % is closed; worse than the poor: {worse or 'nothing'}")
    if tuned.expected is not None:
        print(f"{told('foretold', tuned.expected.together)}   in turn left out of those tuned on")
    for kind in sorted({kind for m in rest for kind in (label.kind for label in m.labels.events)}):
        each, _ = counted(rest, tuned, list(shown.values())[:3], [kind])
        print(f"    {kind}:")
        for name, totals in zip(shown, each, strict=False):
            print(f"        {told(name, totals)}")
    for change in tuned.changes:
        print(f"    {change.knob.name}: {change.knob.written(change.value)}, by default "
              f"{change.knob.written(change.knob.usual)}")
    return won, gap


def carried(made: Sequence[Material], sort: str) -> int:
    """How many of these have labels of a sort."""
    return sum(sort in sorts_of(m.labels) for m in made)


def poorly_set(material: Material, place: Path) -> Material:
    path = place / f"{material.name}.toml"
    path.write_text(material.template.document.text + POOR, encoding="utf-8")
    return replace(material, template=template_of(path))


def rig_material(run: rigs.Run, place: Path) -> tuple[Material, float]:
    """A run with its label, and when its dP passes the point [s]."""
    path = place / "rig.toml"
    path.write_text(rigs.LIQUID.split("[alarm")[0] + RIG_POOR, encoding="utf-8")
    template = template_of(path)
    passed = float(run.second[np.argmax(run.drop > PASSED_PSI)])
    rows = run.rows()
    begin, end = (rigs.START + round((passed - s) * NS) for s in WINDOW_S)
    label = Label(end, "changeout-due", 0.0, early_s=(end - begin) / NS, until=int(rows.time[-1]))
    return Material(run.name, template, Labels((label,)), sequenced([rows], template.settings({}), run.name)), passed


def leads(made: Sequence[tuple[Material, float]], changes: dict[str, str]) -> list[float]:
    """Seconds from the first `changeout-due` to the point, of the runs in which there was one."""
    found = []
    for material, passed in made:
        events = judged(material.rows, material.template.settings(changes), forecasts=False).events
        first = next((e.time for e in events if e.kind == "changeout-due"), None)
        if first is not None:
            found.append(passed - (first - rigs.START) / NS)
    return found


def on_rig(folder: Path, sets: int, count: int) -> None:
    level = {number: float(solids.replace(",", ".")) for number, (_, solids) in rigs.profiles(folder).items()}
    with tempfile.TemporaryDirectory() as place:
        runs = [(level[rigs.number_of(run)], rig_material(run, Path(place)))
                for run in rigs.liquid(folder)]  # fmt: skip
    for left_out in sorted({share for share, _ in runs}):
        train = [made for share, (made, _) in runs if share != left_out]
        rest = [made for share, made in runs if share == left_out]
        tuned = tuned_on(train, RIG_KEYS, sets, count)
        results, _ = counted([m for m, _ in rest], tuned, [{}, tuned.values], ["changeout-due"])
        print(f"solids {left_out:g} % left out: {len(rest)} runs; tuned on {len(train)} others")
        changes = {c.knob.name: c.knob.written(c.value) for c in tuned.changes}
        for name, totals, what in zip(("poor", "tuned"), results, ({}, changes), strict=True):
            lead = leads(rest, what)
            middle = f"lead {np.median(lead):.0f} s ({min(lead):.0f} to {max(lead):.0f})" if lead else "never called"
            print(f"{told(name, totals)}   {middle}, called in {len(lead)}")
        print("   ", ", ".join(f"{key} {value}" for key, value in changes.items()))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--corpus", type=Path)
    parser.add_argument("--liquid", type=Path)
    parser.add_argument("--sets", type=int, default=100)
    parser.add_argument("--best", type=int, default=0)
    parser.add_argument("--processes", type=int, default=1)
    asked = parser.parse_args()
    if asked.corpus:
        on_corpus(asked.corpus, asked.sets, asked.best, asked.processes)
    if asked.liquid:
        on_rig(asked.liquid, asked.sets, asked.processes)


if __name__ == "__main__":
    main()
