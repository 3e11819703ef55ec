"""Puts this folder on the path of the tests below it, and lets random tests take their time."""

import pytest
from hypothesis import settings

# the same examples in every run, so that a red run can be repeated
settings.register_profile("patient", deadline=None, derandomize=True)
settings.load_profile("patient")


@pytest.fixture(autouse=True)
def no_given_width(monkeypatch):
    """Tables are as wide as a pipe lets them be, also in a shell or worker that sets a width."""
    monkeypatch.delenv("COLUMNS", raising=False)
