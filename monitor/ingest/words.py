"""What numbers and words in messages and table cells mean: one table for live payloads and recordings."""

from __future__ import annotations

import math
import re

from monitor.model import Quality

BLANKS = " \t\r\n"
NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"     # for Python's re and for RE2 alike

is_number = re.compile(NUMBER).fullmatch
_NOT_FINITE = re.compile(
    r"[+-]?(?:nan(?:\(\w*\))?|inf(?:inity)?|∞|1\.#(?:inf|ind|qnan|snan)\w*)", re.IGNORECASE
).fullmatch

ON_OFF = {"true": 1.0, "on": 1.0, "false": 0.0, "off": 0.0}

_WORDS = {
    "": Quality.GOOD,
    "good": Quality.GOOD, "ok": Quality.GOOD, "valid": Quality.GOOD, "true": Quality.GOOD, "normal": Quality.GOOD,
    "uncertain": Quality.UNCERTAIN, "questionable": Quality.UNCERTAIN, "suspect": Quality.UNCERTAIN,
    "substituted": Quality.UNCERTAIN, "estimated": Quality.UNCERTAIN, "manual": Quality.UNCERTAIN,
    "bad": Quality.BAD, "false": Quality.BAD, "invalid": Quality.BAD, "error": Quality.BAD, "fault": Quality.BAD,
    "failed": Quality.BAD, "failure": Quality.BAD, "fail": Quality.BAD, "timeout": Quality.BAD, "offline": Quality.BAD,
    "i/o timeout": Quality.BAD, "io timeout": Quality.BAD, "comm fail": Quality.BAD, "comm failure": Quality.BAD,
    "no data": Quality.BAD, "nodata": Quality.BAD, "not connected": Quality.BAD, "disconnected": Quality.BAD,
    "bad input": Quality.BAD, "out of service": Quality.BAD, "shutdown": Quality.BAD, "stale": Quality.BAD,
    "configuration error": Quality.BAD, "device failure": Quality.BAD, "sensor failure": Quality.BAD,
    "#n/a": Quality.BAD, "n/a": Quality.BAD, "#value!": Quality.BAD, "#error": Quality.BAD, "null": Quality.BAD,
    "none": Quality.BAD, "---": Quality.BAD,
    "gone": Quality.GONE,
}  # fmt: skip
_PREFIXES = {"good": Quality.GOOD, "uncertain": Quality.UNCERTAIN, "bad": Quality.BAD}


def strict_number(text: str, *, decimal_comma: bool = False) -> float | None:
    """A plain decimal number, blanks around it aside: no hex, no underscores, no NaN, no other digits than 0-9.

    Infinite where it is too large for a double. None where it is not a number. With `decimal_comma`
    one comma may stand for the point.
    """
    bare = text.strip(BLANKS)
    if decimal_comma and bare.count(",") == 1 and "." not in bare:
        bare = bare.replace(",", ".")
    return float(bare) if is_number(bare) else None


def says_not_finite(text: str) -> bool:
    """Whether a word is some program's spelling of NaN or infinity."""
    return _NOT_FINITE(text.strip(BLANKS)) is not None


def on_off(text: str) -> float | None:
    """0 or 1 where a contact's state is written as a word."""
    return ON_OFF.get(text.strip(BLANKS).casefold())


def quality_of(mark: object) -> Quality | None:
    """The quality that a source states with a reading, None where the mark is not known.

    `gone` says that whatever sends the signal has ended. Words as historians write them (also `Good, ...`,
    `Bad_...`, `UncertainLastUsableValue`); true and false; OPC numbers: bits 7 and 6 of a byte (192 good, 64
    uncertain, 0 bad; the high byte is a vendor's) or, from 2^30 on, the severity in the top two bits of an OPC UA
    status. 1 is good: it is a boolean wherever it occurs.
    """
    if isinstance(mark, str):
        return _quality_word(mark.strip(BLANKS).casefold())
    if isinstance(mark, bool):
        return Quality.GOOD if mark else Quality.BAD
    if isinstance(mark, int | float) and math.isfinite(mark) and mark == int(mark):
        return _quality_number(int(mark))
    return None


def _quality_word(word: str) -> Quality | None:
    known = _WORDS.get(word)
    if known is not None:
        return known
    if len(word) < 25 and is_number(word):
        return quality_of(float(word))
    return next((quality for prefix, quality in _PREFIXES.items() if word.startswith(prefix)), None)


def _quality_number(mark: int) -> Quality | None:
    if mark == 1:
        return Quality.GOOD
    if 0 <= mark < 0x10000:
        return (Quality.BAD, Quality.UNCERTAIN, Quality.BAD, Quality.GOOD)[(mark >> 6) & 3]
    if 0x40000000 <= mark < 0x100000000:
        return Quality.UNCERTAIN if mark >> 30 == 1 else Quality.BAD
    return None
