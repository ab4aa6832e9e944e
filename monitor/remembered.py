"""Results of pure functions kept by what they were called with: the same question is not worked out twice.

A changeout is fitted once for each place it may have happened in and then for its verdict; tuning asks the same for
every set of limits that leaves the levels alone.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from functools import update_wrapper
from typing import Any, Generic, ParamSpec, TypeVar

P = ParamSpec("P")
R = TypeVar("R")


class Remembered(Generic[P, R]):
    """A pure function that keeps its last `keep` results. What it returns is shared: nobody may change it.

    Arguments are told apart by their `repr`, which for numbers, text and tuples of them is exact.

    >>> double = Remembered(lambda x: 2 * x, keep=2)
    >>> double(3), double(3), double.asked, double.worked
    (6, 6, 2, 1)
    """

    def __init__(self, function: Callable[P, R], keep: int) -> None:
        self._function = function
        self.keep = keep
        self.asked = self.worked = 0
        self._results: OrderedDict[str, R] = OrderedDict()
        update_wrapper(self, function)

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R:
        key = repr((args, kwargs))
        self.asked += 1
        if key in self._results:
            self._results.move_to_end(key)
            return self._results[key]
        self.worked += 1
        result = self._results[key] = self._function(*args, **kwargs)
        while len(self._results) > self.keep:
            self._results.popitem(last=False)
        return result

    def forget(self) -> None:
        """Start with an empty memory."""
        self._results.clear()
        self.asked = self.worked = 0


def remembered(keep: int) -> Callable[[Callable[P, R]], Remembered[P, R]]:
    """Decorator: see `Remembered`."""

    def wrap(function: Callable[P, R]) -> Remembered[P, R]:
        made: Any = Remembered(function, keep)
        return made  # type: ignore[no-any-return]

    return wrap
