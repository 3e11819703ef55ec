"""Limits on the shape of rule tables: planted faults are found with their cells."""

import dataclasses
import json

import numpy as np
import pytest
from makers import plain_driveline
from rule_tables import arrays, hand_made, written

from hybridopt import ShapeLimits, read_rule_set, shape_faults
from hybridopt.base.errors import InputError
from hybridopt.base.units import KM_PER_H, KW
from hybridopt.controllers.maps import Map
from hybridopt.tables.cell_relations import vehicle_range
from hybridopt.tables.shape import NO_LIMITS


def with_map(rule_set, name, found):
    table = dataclasses.replace(rule_set.table, **{name: found})
    return dataclasses.replace(rule_set, table=table, coverage={})


def with_value(rule_set, name, index, value):
    """Return the tables with one cell changed."""
    found = rule_set.map(name)
    values = found.values.copy()
    values[index] = value
    return with_map(rule_set, name, Map(found.axes, values))


def cells(faults):
    return [(one.limit, one.table, one.index, one.other) for one in faults]


def only(**limits):
    return dataclasses.replace(NO_LIMITS, **limits)


@pytest.mark.parametrize(
    ("limits", "change", "expected"),
    [
        (  # down at 11 km/h in this cell
            only(hysteresis=2.0 * KM_PER_H),
            ("shift_up", (0, 1, 0), 12.9 * KM_PER_H),
            ("hysteresis", "shift_up", (0, 1, 0), ("shift_down", (0, 1, 0))),
        ),
        (  # stop at 8.008 / 3 - 1 kW
            only(power_hysteresis=KW),
            ("engine_stop", (1, 1), 7.5 * KW),
            ("power_hysteresis", "engine_start", (1, 1), ("engine_stop", (1, 1))),
        ),
        (  # 30 km/h in the gear above
            only(ordered=True),
            ("shift_up", (0, 0, 0), 31.0 * KM_PER_H),
            ("ordered", "shift_up", (1, 0, 0), ("shift_up", (0, 0, 0))),
        ),
        (  # 15.015 kW at the speed above
            only(power_step=14.0 * KW),
            ("engine_start", (0, 2), 30.0 * KW),
            ("power_step", "engine_start", (1, 2), ("engine_start", (0, 2))),
        ),
        (  # 15 km/h at the torque below
            only(speed_step=40.0 * KM_PER_H),
            ("shift_up", (0, 2, 0), 56.0 * KM_PER_H),
            ("speed_step", "shift_up", (0, 1, 0), ("shift_up", (0, 2, 0))),
        ),
    ],
)
def test_a_planted_fault_is_found_with_its_cell(limits, change, expected):
    """Values by hand, each the only one that breaks the limit that is asked for."""
    assert not shape_faults(hand_made(), limits=limits)
    assert cells(shape_faults(with_value(hand_made(), *change), limits=limits)) == [expected]


def test_rising_is_away_from_zero_torque_and_with_charge():
    """By hand: a dip below its neighbour nearer zero, driving and braking, and one over charge."""
    limits = only(rising=True)
    for change, other in (
        (("shift_down", (0, 0, 0), 10.0 * KM_PER_H), ("shift_down", (0, 1, 0))),
        (("shift_up", (1, 2, 1), 38.0 * KM_PER_H), ("shift_up", (1, 1, 1))),
        (("engine_start", (2, 2), 1.9 * KW), ("engine_start", (2, 1))),
    ):
        expected = ("rising", *change[:2], other)
        assert expected not in cells(shape_faults(hand_made(), limits=limits))
        found = cells(shape_faults(with_value(hand_made(), *change), limits=limits))
        assert expected in found


def test_the_range_is_that_of_gears_and_machines():
    """Shift speeds by hand: input speed at idle and at its highest, over ratio, times the radius.

    The motor's torque and power are the highest of its curve.
    """
    driveline, made, limits = plain_driveline(), hand_made(), only(in_range=True)
    vehicle = vehicle_range(driveline)
    box, radius = made.gearbox, driveline.vehicle.wheel_radius
    idle_in_third = box.idle_speed / box.ratios[2] * radius
    top_of_first = box.highest_speed / box.ratios[0] * radius
    for name, index, value, broken in (
        ("shift_down", (1, 2, 1), idle_in_third - 0.01, True),
        ("shift_down", (1, 2, 1), idle_in_third + 0.01, False),
        ("shift_down", (1, 2, 0), 0.0, False),
        ("shift_up", (0, 2, 0), top_of_first + 0.01, True),
        ("shift_up", (0, 2, 0), top_of_first - 0.01, False),
        ("electric_limit", (0,), -1.0, True),
        ("electric_limit", (0,), float(driveline.motor.peak_torque.max()) + 1.0, True),
    ):
        found = shape_faults(with_value(made, name, index, value), vehicle, limits)
        assert ((name, index) in [(one.table, one.index) for one in found]) == broken, (name, value)


def test_tables_over_different_breakpoints_meet_between_them():
    """The line up sags between two torques at which it is far enough above the line down."""
    made, limits = hand_made(), only(hysteresis=2.0 * KM_PER_H)
    gears, _, states = made.map("shift_up").axes
    torques = np.array([-500.0, 0.0, 500.0, 1000.0])
    lines = np.array([15.0, 15.0, 15.0, 30.0]) * KM_PER_H
    up = np.stack([np.tile(lines[:, None], 2), np.tile(lines[:, None] * 3, 2)])
    found = shape_faults(
        with_map(made, "shift_up", Map((gears, torques, states), up)), None, limits
    )
    assert [(one.table, one.index) for one in found if one.index[2] == 0] == [
        ("shift_up", (0, 2, 0))  # 15 km/h over 11 + 9 / 2
    ]


def test_the_least_time_in_a_gear_is_looked_at():
    (found,) = shape_faults(hand_made(), limits=only(gear_time=2.0))
    assert (found.table, found.value, found.low) == ("min_gear", 1.5, 2.0)


@pytest.mark.long
@pytest.mark.parametrize("kind", ["json", "netcdf", "csv"])
def test_files_state_the_limits_that_tables_were_made_for(tmp_path, kind):
    limits = ShapeLimits(hysteresis=3.0 * KM_PER_H, rising=False, speed_step=7.5 * KM_PER_H)
    origin = dataclasses.replace(hand_made().origin, shape=limits)
    made = dataclasses.replace(hand_made(), origin=origin)
    found = read_rule_set(written(made, tmp_path, kind))
    assert found.origin.shape.text == limits.text and not found.origin.edited
    texts = [one.text for one in shape_faults(found)]
    assert texts == [one.text for one in shape_faults(made, limits=limits)]
    assert read_rule_set(written(hand_made(), tmp_path, kind, True)).origin.shape is None


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("hysteresis_km_per_h 2", "hysteresis_km_per_h wide", "hysteresis_km_per_h is 'wide'"),
        ("ordered true", "ordered 1", "ordered is '1'; allowed is true or false"),
        ("rising true", "bold true", "shape says 'bold true'"),
    ],
)
def test_wrong_limits_of_a_file_are_refused(tmp_path, old, new, words):
    origin = dataclasses.replace(hand_made().origin, shape=ShapeLimits())
    path = written(dataclasses.replace(hand_made(), origin=origin), tmp_path, "json")
    path.write_text(path.read_text().replace(old, new))
    with pytest.raises(InputError, match=words):
        read_rule_set(path)


def test_lines_of_gears_that_are_never_left_are_dropped_from_earlier_files(tmp_path):
    """Earlier files have a line of the highest gear upwards, and of the first downwards."""
    path = written(hand_made(), tmp_path, "json")
    content = json.loads(path.read_text())
    for name, place, value in (("shift_up", 2, 120.0), ("shift_down", 0, -1.0)):
        table = content["tables"][name]
        table["axes"][0]["values"] = [1.0, 2.0, 3.0]
        table["values"].insert(place, np.full((3, 2), value).tolist())
    path.write_text(json.dumps(content))
    found = read_rule_set(path)
    for name, values in arrays(hand_made()).items():
        np.testing.assert_array_equal(arrays(found)[name], values, err_msg=name)
