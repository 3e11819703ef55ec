"""Puts this folder on the path of the tests below it, and lets random tests take their time."""

from hypothesis import settings

# the same examples in every run, so that a red run can be repeated
settings.register_profile("patient", deadline=None, derandomize=True)
settings.load_profile("patient")
