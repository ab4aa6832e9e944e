"""What came of an attempt to hand something to another system, in the words that all senders share."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from email.utils import parsedate_to_datetime

LONGEST_WISH_S = 3_600.0    # a server may ask us to stay away for an hour; then we ask again
_SHOWN = 200                # characters of a server's answer that are kept
_BUSY = frozenset({408, 425, 429})
_SECRET_LENGTH = 6          # anything shorter is not worth hiding and would blank out ordinary words


@dataclass(frozen=True, slots=True)
class Taken:
    """The other side has it."""


@dataclass(frozen=True, slots=True)
class Refused:
    """The other side will never take it. reason: a sentence without secrets."""

    reason: str


@dataclass(frozen=True, slots=True)
class Later:
    """Not this time. wait_s: how long the other side asks us to wait. slow: a person has to mend something first."""

    reason: str
    wait_s: float | None = None
    slow: bool = False


Outcome = Taken | Refused | Later


def temporary(status: int) -> bool:
    """Whether an HTTP status says that the same request may succeed later (RFC 9110, 15.5 and 15.6; RFC 8470)."""
    return status in _BUSY or status >= 500


def retry_after(field: str | None, now: float) -> float | None:
    """Seconds from a Retry-After field: delay in seconds or an HTTP date (RFC 9110, 10.2.3). now: s since 1970 UTC.

    None where there is none or it makes no sense; a date in the past is 0, a long wish is cut to an hour.

    >>> retry_after("120", 0.0), retry_after("Thu, 01 Jan 1970 00:01:00 GMT", 20.0), retry_after("soon", 0.0)
    (120.0, 40.0, None)
    """
    if field is None:
        return None
    try:
        wish = float(field) if field.strip().isdecimal() else parsedate_to_datetime(field).timestamp() - now
    except (ValueError, OverflowError):
        return None
    return min(max(wish, 0.0), LONGEST_WISH_S) if math.isfinite(wish) else None


def shown(answer: str, secrets: Iterable[str]) -> str:
    """A server's answer as part of a sentence: on one line, shortened, and without what must not be seen."""
    text = answer
    for secret in secrets:
        if len(secret) >= _SECRET_LENGTH:
            text = text.replace(secret, "***")
    text = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return text[:_SHOWN]
