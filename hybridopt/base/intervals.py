"""Intervals of marked samples."""

import numpy as np


def intervals(marked: np.ndarray) -> list[tuple[int, int]]:
    """Return first and one-past-last index of each unbroken interval of marks, (n,) bool."""
    change = np.flatnonzero(np.diff(np.concatenate(([0], marked.astype(int), [0]))))
    return list(zip(change[::2].tolist(), change[1::2].tolist(), strict=True))
