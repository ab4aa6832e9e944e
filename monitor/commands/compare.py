"""`bagwright compare`."""

from __future__ import annotations

from pathlib import Path

from monitor.commands.common import say


def run_compare(first: Path, second: Path, out: Path | None, *, within_s: float, config: Path | None) -> None:
    """Say what differs between two replays, and draw it where `out` is given; in the skid's units where `config` is."""
    from monitor.config.overrides import template_of
    from monitor.tuning.compare import PAGE, compare, counts, read_run, write
    from monitor.web.words import iso

    (a, minutes_a), (b, minutes_b) = read_run(first), read_run(second)
    skid = None if config is None else template_of(config).settings({})
    pairs = compare(a, b, within_s)
    for pair in pairs:
        if pair.what != "same":
            say(f"{pair.what:<8} {iso(pair.first.time)}  {pair.words}{f', {pair.moved}' if pair.moved else ''}")
    say(", ".join(f"{number} {word}" for word, number in counts(pairs).items()))
    if out is not None:
        write(pairs, minutes_a, minutes_b, (str(first), str(second)), out, skid)
        say(f"written  {out / PAGE}")
