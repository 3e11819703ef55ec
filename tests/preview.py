"""Solved short cycles and maps of preview that several tests share."""

import functools

from hybridopt import Preview, Settings, find_optimum, make_preview_maps, read_cycle, read_driveline
from hybridopt.evaluation.case import Case
from hybridopt.foresight.preview_maps import MapSizes

SMALL = MapSizes(speeds=12, torques=20, factors=(0.7, 1.0, 1.4), expected_speeds=10)


@functools.cache
def solved(name, driveline="full", **settings):
    """Return a cycle with its optimum on a coarse grid."""
    vehicle = read_driveline(driveline)
    chosen = Settings(soc_points=301, splits=31, **settings).resolved(vehicle)
    return Case(find_optimum(read_cycle(name), vehicle, chosen))


@functools.cache
def maps(names=("ece15", "eudc"), driveline="full", sizes=None):
    """Return maps made from some cycles."""
    return make_preview_maps([solved(name, driveline).optimum for name in names], sizes)


def preview(**given):
    """Return the predictive controller with the usual maps."""
    return Preview(maps=maps(), **given)
