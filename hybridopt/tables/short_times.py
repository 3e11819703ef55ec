"""Minimum times that a drive must hold and rule tables do not."""

from ..problem.settings import Settings
from .rule_set import RuleSet

TIMES = {"min_on": "min_on_time", "min_off": "min_off_time", "min_gear": "min_gear_time"}
"""Minimum times of tables, and those that a drive must hold."""


def short_times(rule_set: RuleSet, settings: Settings) -> list[str]:
    """Return a sentence on each minimum time that tables do not hold by themselves.

    Parameters
    ----------
    rule_set
        The tables.
    settings
        Resolved, with the minimum times of the driveline.

    Notes
    -----
    In closed loop these times are held all the same, by what comes after the controller.
    """
    found = []
    for name, setting in TIMES.items():
        own, least = getattr(rule_set.table, name), getattr(settings, setting)
        if own < least:
            found.append(f"{name}: is {own:g} s; driveline and settings ask for {least:g} s")
    if settings.min_gear_time > 0.0:
        found.append(
            f"tables leave a gear sooner where the engine starts; the {settings.min_gear_time:g} s "
            "that driveline and settings ask for are kept by what comes after them"
        )
    if settings.min_reversal_time > rule_set.table.min_gear:
        found.append(
            f"tables hold no time from a shift to one back; the {settings.min_reversal_time:g} s "
            "that driveline and settings ask for are kept by what comes after them"
        )
    return found
