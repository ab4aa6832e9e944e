"""Numbers, sizes, ages and long sentences as people read them."""

from __future__ import annotations

import shutil
import textwrap


def number(value: float) -> str:
    """A count with commas between thousands; a rate below ten with one decimal. Not negative.

    >>> number(1234567), number(0.25), number(3.0)
    ('1,234,567', '0.2', '3')
    """
    if value == round(value) or value >= 10:
        return f"{round(value):,}"
    if value < 0.05:
        return "under 0.1"
    return f"{value:.1f}"


def size(count: float) -> str:
    """Bytes, in the decimal units of disks.

    >>> size(512), size(151552), size(2_400_000_000)
    ('512 bytes', '152 kB', '2.4 GB')
    """
    for unit, scale in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if count >= scale:
            shown = count / scale
            return f"{shown:.1f} {unit}" if shown < 10 else f"{shown:.0f} {unit}"
    return f"{count:.0f} bytes"


def span(seconds: float) -> str:
    """A length of time in the one or two units that matter.

    >>> span(0.2), span(75), span(7_500), span(200_000)
    ('less than a second', '75 s', '2 h 5 min', '2 d 7 h')
    """
    if seconds < 1:
        return "less than a second"
    if seconds < 120:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 120:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days:,} d {hours} h" if hours and days < 10 else f"{days:,} d"


def ago(seconds: float) -> str:
    """When something was, seen from now; a negative number lies ahead.

    >>> ago(90), ago(-7200)
    ('90 s ago', 'in 2 h')
    """
    if abs(seconds) < 1:
        return "now"
    return f"{span(seconds)} ago" if seconds > 0 else f"in {span(-seconds)}"


def wrapped(head: str, text: str, indent: str, width: int | None = None) -> str:
    """`head` and `text`, broken at the terminal's width (at most 110, at least 50 columns) with the rest indented."""
    columns = shutil.get_terminal_size((100, 24)).columns if width is None else width
    return textwrap.fill(
        head + text, max(50, min(columns, 110)), subsequent_indent=indent,
        break_long_words=False, break_on_hyphens=False,
    )
