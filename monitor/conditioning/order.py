"""Order statistics of a handful of values (compiled)."""

from __future__ import annotations

from monitor.compiled import compiled


@compiled
def median(values, count):  # type: ignore[no-untyped-def]
    """Median of the first `count` values, which it sorts in place: insertion sort, best for a handful."""
    for i in range(1, count):
        x = values[i]
        j = i - 1
        while j >= 0 and values[j] > x:
            values[j + 1] = values[j]
            j -= 1
        values[j + 1] = x
    half = count // 2
    return values[half] if count % 2 else 0.5 * (values[half - 1] + values[half])
