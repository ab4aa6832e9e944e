"""The recommendation as a fragment of a configuration: each change with its reason, to be copied by hand."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from monitor.tuning.knobs import Knob
from monitor.tuning.score import Totals, a_month

UNITS_OF_COUNTS = (("missed", "missed"), ("late", "late"), ("wrong", "with a wrong verdict or name"),
                   ("false", "false"), ("needless", "needless messages"))


@dataclass(frozen=True, slots=True)
class Change:
    """A knob's new value; back: counts with this one left as it is today, all others as recommended, None where that
    cannot be, or where it was not tried."""

    knob: Knob
    value: float
    back: Totals | None
    tried: bool = True


def fragment(
    changes: Sequence[Change], now: Totals, days: float, *, sources: Iterable[str], notes: Iterable[str]
) -> str:
    """TOML text. now: counts of the recommendation."""
    lines = ["# Proposed by bagwright tune; nothing has been changed. Copy what you agree with into the skid's file.",
             f"# From {', '.join(sources)}."]
    lines += [f"# {note}" for note in notes]
    if not changes:
        return "\n".join([*lines, "# No change makes anything better on these recordings.", ""])
    for kind in dict.fromkeys(change.knob.kind for change in changes):
        lines += ["", f"[alarm.{kind}]"]
        for change in changes:
            if change.knob.kind == kind:
                lines += [f"# {reason(change, now, days)}",
                          f'{change.knob.key} = "{change.knob.written(change.value)}"']
    return "\n".join([*lines, ""])


def reason(change: Change, now: Totals, days: float) -> str:
    """Why a change is proposed: what staying at today's value would cost."""
    today = f"{change.knob.written(change.knob.today)} today"
    if not change.tried:
        return f"{today}; the best set so far has it so. What leaving it would cost was not tried before the stop."
    stays = f"{today}; left so"
    if change.back is None:
        return f"{stays}, it would contradict the other changes."
    worse = [_difference(name, words, change.back, now, days) for name, words in UNITS_OF_COUNTS]
    told = [text for text in worse if text]
    if told:
        return f"{stays}: {', '.join(told)}."
    later = (change.back.mean_delay or 0.0) - (now.mean_delay or 0.0)
    return f"{stays}: found {later:.0f} s later on average." if later >= 1 else f"{stays}, nothing counted changes."


def _difference(name: str, words: str, back: Totals, now: Totals, days: float) -> str:
    more = getattr(back, name) - getattr(now, name)
    if more == 0:
        return ""
    amount = f"{abs(more)} {'more' if more > 0 else 'fewer'} {words}"
    return f"{amount} ({a_month(abs(more), days):.1f} in 30 skid-days)" if name in ("false", "needless") else amount
