"""The isotonic fit from its other definition, to compare with: min-max of means (Barlow et al. 1972, from memory)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def isotonic_by_projection(y: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """max over a <= i of min over b >= i of mean(y[a..b])."""
    n = y.size
    mean = np.array([[y[a : b + 1].mean() if b >= a else np.inf for b in range(n)] for a in range(n)])
    return np.array([max(mean[a, i:].min() for a in range(i + 1)) for i in range(n)])
