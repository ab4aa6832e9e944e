"""The table of moves as text for the documents, made from the table that the program runs."""

from __future__ import annotations

from monitor.alarms.lifecycle import HIDDEN, LATCHING_CLEARED, MEMORIES, SURFACED, State, rows


def transition_table() -> str:
    """Markdown: one table for states in view and hidden, what a latching kind does otherwise, and what is remembered
    while an alarm is hidden. Stimuli are rows: there are more of them than a page has columns."""
    head, *body = list(zip(*rows(latching=False), strict=True))
    lines = [_line(head), _line(["---"] * len(head)), *map(_line, body), ""]
    latched = "; ".join(f"{a} -> {b}" for a, b in LATCHING_CLEARED.items() if a is not State.AWAITING)
    lines += [f"A kind that latches, on `cleared`: {latched}.", ""]
    lines += ["What is remembered while an alarm is hidden, and shown when that ends:", ""]
    kept = [("stimulus", *MEMORIES), ["---"] * (1 + len(MEMORIES))]
    for stimulus, moves in (*HIDDEN.items(), *SURFACED.items()):
        kept.append((str(stimulus), *(str(moves.get(m, "-")) for m in MEMORIES)))
    return "\n".join([*lines, *map(_line, kept)])


def _line(cells: object) -> str:
    return f"| {' | '.join(map(str, cells))} |"  # type: ignore[call-overload]
