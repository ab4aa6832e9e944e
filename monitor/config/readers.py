"""Small readers: each turns one configured value into what the program uses, or refuses it.

A reader's `accepted` is the clause that follows "accepted:" in a message, also for a missing key.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from types import MappingProxyType
from typing import Any
from urllib.parse import urlsplit

from monitor.config.kinds import Share
from monitor.config.unit_tables import DIMENSIONS
from monitor.config.units import parse_quantity
from monitor.config.wording import RefusalError, nearest, one_of, shown

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\ufdd0-\ufdef\ufffe\uffff]")
LONGEST_NAME = 128
LONGEST_PATH = 4096
_TOPIC_BYTES = 65_535


@dataclass(frozen=True, slots=True)
class Quantity:
    """A quantity with its unit, in SI. Bounds are SI too; `bounds` says them in words."""

    dimension: str
    bounds: str = ""
    above: float = -math.inf
    at_least: float = -math.inf
    at_most: float = math.inf

    @property
    def accepted(self) -> str:
        return DIMENSIONS[self.dimension].accepted + (f", {self.bounds}" if self.bounds else "")

    def __call__(self, value: Any) -> float:
        number = parse_quantity(value, self.dimension)
        if not (self.above < number and self.at_least <= number <= self.at_most):
            raise RefusalError(shown(value), self.accepted)
        return number


@dataclass(frozen=True, slots=True)
class Quantities:
    """A list of quantities of one dimension, in SI."""

    each: Quantity
    fewest: int
    most: int

    @property
    def accepted(self) -> str:
        return f"a list of {self.fewest} to {self.most}, each {self.each.accepted}"

    def __call__(self, value: Any) -> tuple[float, ...]:
        if not isinstance(value, list) or not self.fewest <= len(value) <= self.most:
            raise RefusalError(shown(value), self.accepted)
        return tuple(self.each(item) for item in value)


@dataclass(frozen=True, slots=True)
class PressureOrShare:
    """A pressure above zero in Pa, or a percentage of another setting."""

    of: str

    @property
    def accepted(self) -> str:
        return f'a pressure above zero, as "1.0 bar", or a percentage of {self.of}, as "5 %"'

    def __call__(self, value: Any) -> float | Share:
        is_share = isinstance(value, str) and value.rstrip().endswith("%")
        number = parse_quantity(value, "fraction" if is_share else "pressure")
        if number <= 0:
            raise RefusalError(shown(value), self.accepted)
        return Share(number) if is_share else number


@dataclass(frozen=True, slots=True)
class Micrometres:
    """A bare number of micrometres, or a length with its unit; metres."""

    accepted: str = 'a number of micrometres above zero, as 25, or a length, as "25 um"'

    def __call__(self, value: Any) -> float:
        metres = parse_quantity(value, "length") if isinstance(value, str) else finite(value, self.accepted) / 1e6
        if not 0 < metres < 1:
            raise RefusalError(shown(value), self.accepted)
        return metres


@dataclass(frozen=True, slots=True)
class Whole:
    """A whole number."""

    low: int
    high: int
    what: str = "a whole number"

    @property
    def accepted(self) -> str:
        return f"{self.what} from {self.low} to {self.high}"

    def __call__(self, value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not self.low <= value <= self.high:
            raise RefusalError(shown(value), self.accepted)
        return value


@dataclass(frozen=True, slots=True)
class Bytes:
    """An amount of data with its unit, in bytes: kB to TB by powers of 1000, KiB to TiB of 1024 (IEC 80000-13)."""

    low: int
    bounds: str
    units = MappingProxyType({"kB": 10**3, "MB": 10**6, "GB": 10**9, "TB": 10**12, "KiB": 2**10, "MiB": 2**20,
                              "GiB": 2**30, "TiB": 2**40})

    @property
    def accepted(self) -> str:
        return f'an amount of data with its unit, as "2 GB" (kB, MB, GB, TB; KiB, MiB, GiB, TiB), {self.bounds}'

    def __call__(self, value: Any) -> int:
        match = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?) ?([A-Za-z]+)", value) if isinstance(value, str) else None
        if match is None or match[2] not in self.units:
            bare = isinstance(value, (int, float)) and not isinstance(value, bool)
            raise RefusalError(shown(value) + (", a number without a unit" if bare else ""), self.accepted)
        amount = Fraction(match[1]) * self.units[match[2]]
        if not self.low <= amount < 2**63:
            raise RefusalError(shown(value), self.accepted)
        return int(amount)


@dataclass(frozen=True, slots=True)
class Text:
    """Printable text, not empty. `banned`: characters that may not occur in it."""

    accepted: str
    banned: str = ""
    longest: int = LONGEST_NAME
    may_be_empty: bool = False

    def __call__(self, value: Any) -> str:
        if not isinstance(value, str):
            raise RefusalError(shown(value), self.accepted)
        if value.strip() != value or not (value or self.may_be_empty) or len(value) > self.longest:
            reason = "empty" if not value.strip() else "too long" if len(value) > self.longest else "spaces around it"
            raise RefusalError(f"{shown(value)} ({reason})", self.accepted)
        bad = next((c for c in value if c in self.banned or _CONTROL.match(c)), None)
        if bad is not None:
            raise RefusalError(f"{shown(value)} (with {shown(bad)} in it)", self.accepted)
        return value


@dataclass(frozen=True, slots=True)
class Topic:
    """A topic name by MQTT 5.0 (OASIS, 2019) section 4.7: one or more characters, no wildcard, no U+0000,
    at most 65,535 bytes; and no other control character, which section 1.5.4 advises against."""

    accepted: str = "an MQTT topic name without + and #, as \"hatchery/intake-1/PT-101\""

    def __call__(self, value: Any) -> str:
        if not isinstance(value, str) or not value:
            raise RefusalError(shown(value), self.accepted)
        if len(value.encode()) > _TOPIC_BYTES:
            raise RefusalError(f"{shown(value)} (over {_TOPIC_BYTES} bytes)", self.accepted)
        bad = next((c for c in value if c in "+#" or _CONTROL.match(c)), None)
        if bad is not None:
            raise RefusalError(f"{shown(value)} (with {shown(bad)} in it)", self.accepted)
        if value.startswith("$share/"):
            raise RefusalError(f"{shown(value)} (a shared subscription)", self.accepted)
        return value


@dataclass(frozen=True, slots=True)
class Word:
    """One of the words of an enumeration."""

    words: type[StrEnum]

    @property
    def accepted(self) -> str:
        return one_of(word.value for word in self.words)

    def __call__(self, value: Any) -> StrEnum:
        try:
            return self.words(value)
        except ValueError:
            close = nearest(value, (w.value for w in self.words)) if isinstance(value, str) else None
            raise RefusalError(shown(value) + (f" (did you mean {close}?)" if close else ""), self.accepted) from None


@dataclass(frozen=True, slots=True)
class Flag:
    accepted: str = "true or false"

    def __call__(self, value: Any) -> bool:
        if not isinstance(value, bool):
            raise RefusalError(shown(value), self.accepted)
        return value


@dataclass(frozen=True, slots=True)
class Names:
    """A list of different names."""

    accepted: str
    each: Text

    def __call__(self, value: Any) -> tuple[str, ...]:
        if not isinstance(value, list) or not value:
            raise RefusalError(shown(value), self.accepted)
        names = tuple(self.each(name) for name in value)
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            raise RefusalError(f"{shown(twice)} twice", self.accepted)
        return names


@dataclass(frozen=True, slots=True)
class Span:
    """[low, high] of a transmitter, in its own unit."""

    accepted: str = "two different finite numbers, the lower first, as [0.0, 10.0], in the signal's unit"

    def __call__(self, value: Any) -> tuple[float, float]:
        if not isinstance(value, list) or len(value) != 2:
            raise RefusalError(shown(value), self.accepted)
        low, high = (finite(end, self.accepted) for end in value)
        if not low < high:
            reason = "both ends equal" if low == high else "the higher first"
            raise RefusalError(f"{shown(value)} ({reason})", self.accepted)
        return low, high


@dataclass(frozen=True, slots=True)
class Url:
    """An http or https address."""

    accepted: str = "an http or https address, as \"https://office.example/hooks/intake\""

    def __call__(self, value: Any) -> str:
        if not isinstance(value, str) or _CONTROL.search(value) or " " in value:
            raise RefusalError(shown(value), self.accepted)
        try:
            parts = urlsplit(value)
            good = parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
        except ValueError:
            good = False
        if not good:
            raise RefusalError(shown(value), self.accepted)
        if parts.username or parts.password:
            raise RefusalError("an address with a user or password in it",
                               f"{self.accepted}; secrets come from the environment or a file")
        return value


@dataclass(frozen=True, slots=True)
class NeverHere:
    """A secret written into the file. Its text is never shown."""

    key: str

    @property
    def accepted(self) -> str:
        return (f"{self.key}_env (the name of an environment variable) or {self.key}_file; "
                "secrets do not stand in configuration files")

    def __call__(self, value: Any) -> None:
        raise RefusalError("a secret in plain text", self.accepted)


@dataclass(frozen=True, slots=True)
class VariableName:
    """The name of an environment variable. What is no name is not shown: it may be the secret itself."""

    accepted: str = "the name of an environment variable (letters, digits, underscore)"

    def __call__(self, value: Any) -> str:
        if not isinstance(value, str) or not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]{0,127}", value):
            raise RefusalError("something that is no variable's name", self.accepted)
        return value


@dataclass(frozen=True, slots=True)
class SecretFile:
    """The path of a file that holds a secret. What is no text is not shown."""

    accepted: str = "the path of a file that holds the secret"

    def __call__(self, value: Any) -> str:
        if not isinstance(value, str) or not value or _CONTROL.search(value) or len(value) > LONGEST_PATH:
            raise RefusalError("something that is no path", self.accepted)
        return value


Reader = Callable[[Any], Any]


def finite(value: Any, accepted: str) -> float:
    """A bare finite number. Raises RefusalError."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise RefusalError(shown(value), accepted)
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise RefusalError(f"{shown(value)}, not a finite number", accepted)
    return number
