"""Grade from altitude: closed forms of a hill, noise, outliers, rests; a logged grade."""

import math
import re
import warnings

import numpy as np
import pytest
from log_makers import PITCH, altitude_at, distance_at, grade_at, rows, speed_at, stamps, text

from hybridopt.base.errors import InputError
from hybridopt.base.warning import InputWarning
from hybridopt.inputs.cycle_checks import GRADE_MAX
from hybridopt.measurements.channels import ColumnRequest
from hybridopt.measurements.drive import Cleaning
from hybridopt.measurements.log import Journal, Samples
from hybridopt.measurements.road_grade import grade_from_altitude, logged_grade

DRIVE = Samples(stamps(1), speed_at(stamps(1)))
MIDDLE = (distance_at(stamps(1)) > 250) & (distance_at(stamps(1)) < 1670)


def from_altitude(height, length=200.0):
    """Return the grade from heights at the stamps of the drive, and what was done."""
    done = Journal()
    return grade_from_altitude(Samples(stamps(), height), DRIVE, length, done), done


@pytest.mark.parametrize("length", [50.0, 200.0, 400.0])
def test_a_hill_is_worn_down_as_stated(length):
    """1 - (1 - g)^2 of a sine hill, g = exp(-(2 pi sigma / P)^2 / 2)."""
    grade, _ = from_altitude(altitude_at(stamps()), length)
    g = math.exp(-((2 * math.pi * length / 2.3548 / PITCH) ** 2) / 2)
    wanted = (1 - (1 - g) ** 2) * grade_at(DRIVE.time)
    gone = distance_at(DRIVE.time)
    inside = (gone > 200 + length) & (gone < gone[-1] - 200 - length)
    assert grade[inside] == pytest.approx(wanted[inside], abs=0.002)


def test_an_even_slope_is_kept_to_the_ends():
    height = 50 + 0.05 * distance_at(stamps())
    grade, done = from_altitude(height)
    assert grade == pytest.approx(0.05, abs=1e-3)
    assert "height +95" in done[0].text or "height +96" in done[0].text


def test_noise_of_a_satellite_receiver():
    """2 m of white noise at 10 Hz: the slope's error stays near sigma_h / (sigma_s sqrt(n))."""
    noise = np.random.default_rng(6).normal(0.0, 2.0, stamps().size)
    clean, _ = from_altitude(altitude_at(stamps()))
    noisy, _ = from_altitude(altitude_at(stamps()) + noise)
    assert np.abs(noisy - clean)[MIDDLE].std() < 0.006


def test_outliers_are_dropped_and_told():
    height = altitude_at(stamps())
    height[700:702] = 0.0
    height[1500] = 9999.0
    grade, done = from_altitude(height)
    clean, _ = from_altitude(altitude_at(stamps()))
    assert grade == pytest.approx(clean, abs=2e-3)
    assert ("altitude_outliers", 3) in [(one.name, one.count) for one in done]


def test_a_cliff_is_limited_and_told():
    height = np.where(distance_at(stamps()) > 900, 12.0, 0.0)
    grade, done = from_altitude(height, 5.0)
    assert np.abs(grade).max() <= GRADE_MAX
    assert "grade_limited" in [one.name for one in done]


def test_a_vehicle_at_rest_has_no_grade():
    still = Samples(np.arange(10.0), np.zeros(10))
    rising = Samples(np.arange(10.0), np.arange(10.0))
    assert not grade_from_altitude(rising, still, 200.0, Journal()).any()


def test_too_few_values_are_refused():
    far = Samples(np.array([1e5, 1e5 + 1]), np.zeros(2))
    with pytest.raises(InputError, match="altitude: fewer than two values"):
        grade_from_altitude(far, DRIVE, 200.0, Journal())
    with pytest.raises(InputError, match="grade: fewer than two values"):
        logged_grade(far, DRIVE.time, Journal())


@pytest.mark.parametrize(
    ("unit", "of"),
    [("%", lambda g: 100 * g), ("deg", lambda g: math.degrees(math.atan(g))), ("rad", math.atan)],
)
def test_units_of_a_logged_grade(imported, unit, of):
    cells = [[t, v, f"{of(0.06):.6f}"] for t, v in rows(stamps())]
    drive = imported(text(cells, ("time [s]", "speed [km/h]", f"grade [{unit}]")))
    assert drive.cycle.grade == pytest.approx(0.06, rel=1e-4)


def climbing(share, unit="%"):
    """Return a log of a road that climbs by 3 %, its grade written as `share` times that."""
    climb = zip(rows(stamps()), 77 + 0.03 * distance_at(stamps()), strict=True)
    cells = [[t, v, f"{3 * share:.4f}", f"{h:.2f}"] for (t, v), h in climb]
    return text(cells, ("time [s]", "speed [km/h]", f"slope [{unit}]", "altitude [m]"))


def test_a_logged_grade_wins_over_altitude_and_is_compared(imported):
    drive = imported(climbing(1.0))
    assert set(drive.choices) == {"time", "speed", "grade"}
    assert drive.cycle.grade == pytest.approx(0.03)
    assert any("slope [%] is 3 % and that from altitude [m] 3 %" in one.text for one in drive.done)


def test_what_the_user_names_wins(imported):
    drive = imported(climbing(0.9), {"altitude": ColumnRequest("altitude [m]")})
    assert set(drive.choices) == {"time", "speed", "altitude"}
    assert drive.cycle.grade[30:-30] == pytest.approx(0.03, abs=1e-3)
    drive = imported(climbing(0.9), {"altitude": ColumnRequest("none")})
    assert drive.cycle.grade == pytest.approx(0.027)
    flat = imported(climbing(0.9), {c: ColumnRequest("none") for c in ("altitude", "grade")})
    assert not flat.cycle.grade.any()


@pytest.mark.parametrize(
    ("share", "words"),
    [(0.01, r"0.03 % .* 3 % .*state its unit with --channel grade=slope \[%\]:1,"), (-1, "both")],
)
def test_a_grade_that_altitude_belies_is_said(imported, share, words):
    """Rise over run under %, and a wrong sign."""
    with warnings.catch_warnings(record=True) as told:
        warnings.simplefilter("always")
        imported(climbing(share))
    assert re.search(f"grade and altitude disagree: .*{words}", str(told[0].message))


@pytest.mark.parametrize("shift", [13.0, -13.0])
def test_a_shift_of_altitude_at_a_stop_is_said_with_its_place(imported, shift):
    """The drive rests at 120 s, behind 960 m."""
    height = 150 + 0.01 * distance_at(stamps()) + shift * (stamps() > 120)
    cells = [[t, v, f"{h:.1f}"] for (t, v), h in zip(rows(stamps()), height, strict=True)]
    content = text(cells, ("time [s]", "speed [km/h]", "GPS Altitude [m]"))
    with pytest.warns(
        InputWarning, match=r"altitude shifts by [+-]1\d\.\d m at 1[12]\d s, 0\.9\d km"
    ):
        imported(content)


def test_a_receiver_without_a_fix_makes_no_cliff(imported):
    height = np.where(stamps() < 40, 0.0, altitude_at(stamps()))
    cells = [[t, v, f"{h:.1f}"] for (t, v), h in zip(rows(stamps()), height, strict=True)]
    drive = imported(text(cells, ("time [s]", "speed [km/h]", "altitude [m]")))
    assert {one.name: one.count for one in drive.done}["altitude_frozen"] == 400
    late = (drive.cycle.time > 80) & (drive.cycle.time < 210)
    assert drive.cycle.grade[late] == pytest.approx(grade_at(drive.cycle.time)[late], abs=0.02)


def test_an_altitude_that_cannot_be_used_is_said_with_the_way(imported):
    cells = [[t, v, "150"] for t, v in rows(stamps())]
    with pytest.warns(InputWarning, match="altitude: column Alt has no unit; say .*altitude=Alt:m"):
        drive = imported(text(cells, ("time [s]", "speed [km/h]", "Alt")))
    assert not drive.cycle.grade.any()
    cells = [[t, v, "150", "160"] for t, v in rows(stamps())]
    head = ("time [s]", "speed [km/h]", "elevation smoothed [m]", "elevation matched [m]")
    with pytest.warns(InputWarning, match="2 columns may be the altitude: elevation smoothed"):
        imported(text(cells, head))


def test_feet_and_the_length_of_smoothing(imported):
    """A foot is 0.3048 m by definition."""
    cells = [
        [f"{t:.1f}", f"{speed_at(t) * 3.6:.3f}", f"{altitude_at(t) / 0.3048:.4f}"] for t in stamps()
    ]
    head = ("time [s]", "speed [km/h]", "elevation [ft]")
    drive = imported(text(cells, head), cleaning=Cleaning(grade_length=100.0))
    middle = slice(20, -20)
    assert drive.cycle.grade[middle] == pytest.approx(grade_at(drive.cycle.time)[middle], abs=4e-3)
    with pytest.raises(InputError, match="altitude: column elevation .ft. has the unit 'Pa'"):
        imported(text(cells, head), {"altitude": ColumnRequest("elevation [ft]", "Pa")})
