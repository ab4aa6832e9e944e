"""What tuning is worth on recordings that it has not seen.

    python tests/bench/measure_tuning.py --corpus FOLDER     # simulated recordings, a folder each
    python tests/bench/measure_tuning.py --liquid FOLDER     # CSV files of the PHM Society Europe challenge 2020

--corpus  from deliberately poor settings: tuned on every other recording, counted on the rest, beside the poor ones and
          the program's own defaults and what a longer search (--best sets) finds on that other half itself; the best
          that is known is the cheaper of these two
--liquid  one filter each, run from clean to 20 psi, at three levels of solids: tuned on two, counted on the third.
          Wanted is `changeout-due` 5 to 40 s before the smoothed dP first passes 20 psi; what comes sooner is false

Run as a program; prints tables, judges nothing. Each row is missed / late / false / needless of so many labels.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Sequence
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
from monitor.tuning.groups import counts  # noqa: E402
from monitor.tuning.knobs import chosen_knobs  # noqa: E402
from monitor.tuning.labels import Label, Labels  # noqa: E402
from monitor.tuning.material import Material, sequenced  # noqa: E402
from monitor.tuning.score import Totals  # noqa: E402
from monitor.tuning.tried import Tried, Values  # noqa: E402
from monitor.tuning.tune import Progress, Tuned, Wishes, tune  # noqa: E402
from monitor.tuning.workers import Here  # noqa: E402

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
WINDOW_S = (40.0, 5.0)      # before dP passes the point, in which a changeout is best called


def told(name: str, t: Totals) -> str:
    return f"{name:<10} {t.missed + t.wrong:3} / {t.late:3} / {t.false:3} / {t.needless:3}   of {t.expected}"


def tuned_on(made: Sequence[Material], keys: Sequence[str], sets: int) -> Tuned:
    with tempfile.TemporaryDirectory() as folder:
        knobs = chosen_knobs(made[0].template.settings({}), keys) if keys else None
        progress = Progress(lambda what, share, left: None)
        return tune(made, knobs, Here(made), Path(folder), Wishes(sets), progress)


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


def on_corpus(folder: Path, sets: int, best: int) -> None:
    with tempfile.TemporaryDirectory() as place:
        made = [poorly_set(m, Path(place)) for m in bench_tune.materials(folder)]
    train, rest = made[::2], made[1::2]
    tuned = tuned_on(train, (), sets)
    usual = {k.name: k.usual for group in tuned.groups for k in group.knobs}
    shown: dict[str, Values] = {"poor": {}, "tuned": tuned.values, "defaults": usual}
    results, costs = counted(rest, tuned, list(shown.values()))
    if best:
        longer = tuned_on(rest, (), best)
        shown["searched"] = longer.values
        more, more_costs = counted(rest, longer, [longer.values])
        results, costs = results + more, costs + more_costs
    print(f"{folder.name}: tuned on {len(train)} recordings of {tuned.days:.1f} skid-days with {len(tuned.trials)} "
          f"sets; counted on {len(rest)} others")
    for name, totals, cost in zip(shown, results, costs, strict=True):
        print(f"{told(name, totals)}   cost {cost:.1f}")
    gap = costs[0] - min(costs[2:])
    print(f"of the gap {100 * (costs[0] - costs[1]) / gap if gap else 100:.0f} % is closed")
    for kind in sorted({kind for m in rest for kind in (label.kind for label in m.labels.events)}):
        each, _ = counted(rest, tuned, list(shown.values())[:3], [kind])
        print(f"    {kind}:")
        for name, totals in zip(shown, each, strict=False):
            print(f"        {told(name, totals)}")
    for change in tuned.changes:
        print(f"    {change.knob.name}: {change.knob.written(change.value)}, by default "
              f"{change.knob.written(change.knob.usual)}")


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


def on_rig(folder: Path, sets: int) -> None:
    level = {number: float(solids.replace(",", ".")) for number, (_, solids) in rigs.profiles(folder).items()}
    with tempfile.TemporaryDirectory() as place:
        runs = [(level[rigs.number_of(run)], rig_material(run, Path(place)))
                for run in rigs.liquid(folder)]  # fmt: skip
    for left_out in sorted({share for share, _ in runs}):
        train = [made for share, (made, _) in runs if share != left_out]
        rest = [made for share, made in runs if share == left_out]
        tuned = tuned_on(train, RIG_KEYS, sets)
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
    asked = parser.parse_args()
    if asked.corpus:
        on_corpus(asked.corpus, asked.sets, asked.best)
    if asked.liquid:
        on_rig(asked.liquid, asked.sets)


if __name__ == "__main__":
    main()
