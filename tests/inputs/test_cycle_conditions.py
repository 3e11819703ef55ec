"""Oil temperature and heat request: columns of a cycle's file, refusals, pieces, hash, writing."""

import dataclasses
import hashlib

import numpy as np
import pytest

from hybridopt import Cycle, read_cycle, read_driveline
from hybridopt.base.errors import InputError
from hybridopt.inputs.cycle import InputWarning
from hybridopt.inputs.cycle_writing import save_cycle
from hybridopt.measurements.trips import cut_trips
from hybridopt.physics.demand import drive_demand, wheel_demand

ROWS = [(0, 0, 20, 1), (2, 10, 30, 1), (3, 20, 35, 0), (7, 0, 55, 0)]
HEAD = "time_s,speed_km_per_h,oil_temperature_C,heat_request\n"


def cycle(**changes):
    """Return a small cycle with both, steps of 2, 1 and 4 s."""
    time, speed, oil, heat = np.array(ROWS, dtype=float).T
    fields = {"oil_temperature": oil, "heat_request": heat}
    return Cycle("small", time, speed / 3.6, **(fields | changes))


def written(folder, text):
    path = folder / "drive.csv"
    path.write_text(text)
    return path


def rows(*lines):
    return HEAD + "".join(f"{line}\n" for line in lines)


# --- reading ---


def test_columns_are_read_in_any_order(tmp_path):
    text = "heat_request,time_s,oil_temperature_C,speed_km_per_h\n"
    text += "".join(f"{h},{t},{oil},{v}\n" for t, v, oil, h in ROWS)
    found = read_cycle(written(tmp_path, text))
    assert found.oil_temperature.tolist() == [20, 30, 35, 55]
    assert found.heat_request.tolist() == [1, 1, 0, 0]
    assert found.grade.tolist() == [0] * 4


@pytest.mark.parametrize("column", ["oil_temperature_C", "heat_request"])
def test_either_column_may_be_left_out(tmp_path, column):
    found = read_cycle(written(tmp_path, f"time_s,speed_km_per_h,{column}\n0,0,1\n1,3,1\n"))
    known = column == "oil_temperature_C"
    assert np.isnan(found.oil_temperature).all() != known
    assert found.heat_request.tolist() == [0.0 if known else 1.0] * 2


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (rows("0,0,20,1", "1,0,201,1"), "line 3: oil_temperature_C is 201; allowed is -60 to 200"),
        (rows("0,0,-61,1", "1,0,20,1"), "line 2: oil_temperature_C is -61; allowed is -60 to 200"),
        (rows("0,0,20,1", "1,0,,1"), "line 3: oil_temperature_C is blank"),
        (rows("0,0,20,1", "1,0,nan,1"), "line 3: oil_temperature_C is 'nan'"),
        (rows("0,0,20,1", "1,0,20,2"), "line 3: heat_request is 2; write 1 .* or 0"),
        (rows("0,0,20,0.5", "1,0,20,1"), "line 2: heat_request is 0.5; write 1"),
        (rows("0,0,20,yes", "1,0,20,1"), "line 2: heat_request is 'yes'"),
    ],
)
def test_wrong_conditions_are_refused_in_one_sentence(tmp_path, text, words):
    path = written(tmp_path, text)
    with pytest.raises(InputError, match=words) as caught:
        read_cycle(path)
    assert str(caught.value).startswith(f"{path}: ") and "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"oil_temperature": [20, 30]}, r"oil_temperature has shape \(2,\) but time \(4,\)"),
        ({"oil_temperature": "warm"}, "oil_temperature is not an array of numbers"),
        ({"oil_temperature": 300}, "point 0: oil_temperature_C is 300; allowed is -60 to 200 degC"),
        ({"oil_temperature": np.inf}, "point 0: oil_temperature_C is inf"),
        ({"heat_request": [0, 1, 0]}, r"heat_request has shape \(3,\) but time \(4,\)"),
        ({"heat_request": 0.3}, "point 0: heat_request is 0.3; write 1 .* or 0"),
        ({"heat_request": np.nan}, "point 0: heat_request is nan"),
    ],
)
def test_wrong_arrays_are_refused(changes, words):
    with pytest.raises(InputError, match=words):
        cycle(**changes)


def test_a_column_with_another_unit_is_named_as_not_read(tmp_path):
    with pytest.warns(InputWarning, match="not read: 'oil_temperature_K'; read are .*_temperature"):
        read_cycle(written(tmp_path, "time_s,speed_km_per_h,oil_temperature_K\n0,0,293\n1,3,293\n"))


# --- the object ---


def test_one_number_stands_for_all_points_and_arrays_are_locked():
    found = cycle(oil_temperature=50, heat_request=1)
    assert found.oil_temperature.tolist() == [50] * 4 and found.heat_request.tolist() == [1] * 4
    with pytest.raises(ValueError, match="read-only"):
        found.heat_request[0] = 0


def test_hash_is_that_of_the_points_where_nothing_is_given():
    """SHA-256 by hashlib over little-endian float64 of time, speed and grade."""
    bare = cycle(oil_temperature=np.nan, heat_request=0)
    points = b"".join(a.astype("<f8").tobytes() for a in (bare.time, bare.speed, bare.grade))
    assert bare.sha256 == hashlib.sha256(points).hexdigest()
    assert bare.sha256 == Cycle("small", bare.time, bare.speed).sha256
    others = [cycle(), cycle(oil_temperature=20), cycle(oil_temperature=21)]
    others += [cycle(heat_request=1), cycle(oil_temperature=np.nan, heat_request=1)]
    assert len({bare.sha256, *(other.sha256 for other in others)}) == 6


def test_shipped_schedules_have_neither():
    found = read_cycle("ece15")
    assert np.isnan(found.oil_temperature).all() and not found.heat_request.any()


def test_cut_interpolates_the_oil_and_holds_the_request():
    """Oil is linear between points; a request holds from its point to the next."""
    piece = cycle().cut(1, 5)
    assert piece.time.tolist() == [0, 1, 2, 4]
    assert piece.oil_temperature.tolist() == [25, 30, 35, 45]
    assert piece.heat_request.tolist() == [1, 1, 0, 0]
    whole = cycle().cut(0, 7)
    assert whole.sha256 == cycle().sha256


def test_trips_carry_their_conditions():
    time = np.arange(40.0)
    speed = np.where(np.arange(40) % 20 < 10, 0.0, 5.0)
    made = Cycle("two", time, speed, oil_temperature=20 + time, heat_request=(time > 9) * 1.0)
    pieces = [trip.cycle for trip in cut_trips(made)]
    assert len(pieces) > 1
    begin = 0.0
    for piece in pieces:
        assert piece.oil_temperature.tolist() == (20 + begin + piece.time).tolist()
        assert piece.heat_request.tolist() == ((begin + piece.time > 9) * 1.0).tolist()
        begin += piece.duration


# --- writing ---


def test_what_is_saved_is_read_again(tmp_path):
    save_cycle(cycle(), tmp_path / "drive.csv", ["made by hand"])
    found = read_cycle(tmp_path / "drive.csv")
    for name in ("time", "oil_temperature", "heat_request"):
        assert np.array_equal(getattr(found, name), getattr(cycle(), name))
    np.testing.assert_allclose(found.speed, cycle().speed, rtol=1e-11)


def test_absent_columns_are_not_written(tmp_path):
    save_cycle(cycle(oil_temperature=np.nan, heat_request=0), tmp_path / "drive.csv")
    assert (tmp_path / "drive.csv").read_text().splitlines()[0] == "time_s,speed_km_per_h"


# --- what the wheels are told ---


def test_steps_take_the_mean_oil_and_the_request_of_their_first_point():
    demand = wheel_demand(read_driveline("full").vehicle, cycle())
    assert demand.oil_temperature.tolist() == [25, 32.5, 45]
    assert demand.engine_needed.tolist() == [True, True, False]


def test_cold_factor_is_linear_between_the_two_temperatures():
    """1.6 at 20 degC and below, 1 at 80 and above: 1.3 at 50; 1 where nothing is known."""
    full = read_driveline("full")
    figures = {"cold_fuel_factor": 1.6, "cold_temperature": 20.0, "warm_temperature": 80.0}
    cold = dataclasses.replace(full, engine=dataclasses.replace(full.engine, **figures))
    for oil, factor in ((-30, 1.6), (20, 1.6), (50, 1.3), (65, 1.15), (80, 1), (120, 1), (None, 1)):
        made = cycle(oil_temperature=np.nan if oil is None else oil)
        assert drive_demand(cold, made).fuel_factor == pytest.approx(factor, rel=1e-12)
        assert drive_demand(full, made).fuel_factor.tolist() == [1.0] * 3
