"""How many random cases a test tries: as many as fit a daily run, or a multiple of them."""

import os

FACTOR = "HYBRIDOPT_CASES_FACTOR"
"""Environment variable: times as many cases in the long random tests."""


def cases(count):
    """Return how many cases to try where a daily run tries `count`."""
    return max(int(count * float(os.environ.get(FACTOR, "1"))), 1)


def some(items):
    """Return all items, or evenly spread ones of them where the factor is below 1."""
    return items[:: max(round(1.0 / float(os.environ.get(FACTOR, "1"))), 1)]


def by_hand(items):
    """Return all items, or none where the factor is below 1."""
    return items if float(os.environ.get(FACTOR, "1")) >= 1.0 else []
