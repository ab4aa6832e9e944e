"""How a configured value is spoken of in a message."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable

NO_BROKER = "none: no signal is read over MQTT, and there is no [broker]"
_LONGEST = 60


class RefusalError(ValueError):
    """A value that cannot be used: what was found and what is accepted, each a clause for a person."""

    def __init__(self, found: str, accepted: str) -> None:
        self.found, self.accepted = found, accepted
        super().__init__(f"found {found}; accepted: {accepted}")


def shown(value: object, longest: int = _LONGEST) -> str:
    """A configured value for a message: quoted, short, without control characters or a URL's user."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        flat = len(value) <= 6 and not any(isinstance(v, (dict, list)) for v in value)
        return f"[{', '.join(map(shown, value))}]" if flat else "an array"
    if isinstance(value, int) and abs(value) >= 10**_LONGEST:
        return "a number of very many digits"
    if not isinstance(value, str):
        return str(value)
    text = re.sub(r"//[^/@\s]*@", "//***@", value)
    text = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
    return f'"{text if len(text) <= longest else text[:longest - 3] + "..."}"'


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that `word` was probably meant to be, or None. Case aside, then by likeness."""
    names = list(known)
    same_but_case = next((n for n in names if n.lower() == word.lower()), None)
    return same_but_case or next(iter(difflib.get_close_matches(word, names, 1, 0.6)), None)


def one_of(words: Iterable[str]) -> str:
    """A list of words for "accepted": `a, b or c`.

    >>> one_of(["a", "b", "c"])
    'a, b or c'
    """
    *some, last = words
    return f"{', '.join(some)} or {last}" if some else last
