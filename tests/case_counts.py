"""How many random cases a test tries: as many as fit a daily run, or a multiple of them."""

import os

FACTOR = "HYBRIDOPT_CASES_FACTOR"
"""Environment variable: times as many cases in the long random tests."""


def cases(count):
    """Return how many cases to try where a daily run tries `count`."""
    return max(int(count * float(os.environ.get(FACTOR, "1"))), 1)
