"""Recordings divided so that each part has its share of every sort of label.

Iterative stratification (Sechidis, Tsoumakas, Vlahavas 2011, ECML PKDD, LNCS 6913, p. 145): the sort that fewest
recordings carry goes first, each of them to the part that lacks most of it. Where they draw lots, the order decides
here: the same recordings are always divided alike.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from monitor.tuning.labels import Labels


def sorts_of(labels: Labels) -> frozenset[str]:
    """What a recording has labels of: kinds, and of each kind what it says."""
    return frozenset(label.kind if label.detail is None else f"{label.kind} {label.detail}" for label in labels.events)


def lonely(sorts: Sequence[frozenset[str]]) -> list[str]:
    """Sorts that one recording alone carries."""
    return sorted(sort for sort, count in _carriers(sorts).items() if count == 1)


def divided(sorts: Sequence[frozenset[str]], parts: int) -> list[list[int]]:
    """Places of the recordings in each part, in order. sorts: of each recording, by place."""
    left = dict(enumerate(sorts))
    lacks = [{sort: count / parts for sort, count in _carriers(sorts).items()} for _ in range(parts)]
    room = [len(sorts) / parts] * parts
    made: list[list[int]] = [[] for _ in range(parts)]
    while left:
        sort, some = _rarest(left)
        for place in some:
            part = max(range(parts), key=lambda k: (lacks[k].get(sort, 0.0), room[k], -k))
            made[part].append(place)
            room[part] -= 1
            for carried in left.pop(place):
                lacks[part][carried] -= 1
    return [sorted(part) for part in made]


def _rarest(left: dict[int, frozenset[str]]) -> tuple[str, list[int]]:
    """The sort whose turn it is and the recordings that carry it; no sort and all where none carries any."""
    carriers = _carriers(left.values())
    if not carriers:
        return "", list(left)
    sort = min(carriers, key=lambda s: (carriers[s], s))
    return sort, [place for place, carried in left.items() if sort in carried]


def _carriers(sorts: Iterable[frozenset[str]]) -> Counter[str]:
    """In how many recordings each sort is."""
    return Counter(sort for carried in sorts for sort in carried)
