"""Puts this folder on the path of the tests below it, and lets random tests take their time."""

from hypothesis import settings

settings.register_profile("patient", deadline=None)
settings.load_profile("patient")
