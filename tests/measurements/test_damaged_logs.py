"""Deliberately damaged logs: the clean drive within the stated tolerance, or a refusal."""

import numpy as np
import pytest
from log_makers import DURATION, KM_PER_H, LENGTH, assert_the_drive, rows, speed_at, stamps, text

from hybridopt.base.errors import InputError
from hybridopt.base.warning import InputWarning
from hybridopt.measurements.drive import Cleaning


def told(drive):
    return {one.name: one.count for one in drive.done}


def cells():
    return rows(stamps())


def test_a_clean_log_needs_nothing(imported):
    drive = imported(text(cells()))
    assert_the_drive(drive)
    assert set(told(drive)) == {
        "time_unit",
        "standstill",
        "low_pass",
        "grade",
        "resampled",
        "energy",
    }


@pytest.mark.parametrize("shift", [0.0, 1.7e9, -5e5])
def test_where_time_begins_does_not_matter(imported, shift):
    moved = [[f"{t + shift:.1f}", row[1]] for t, row in zip(stamps(), cells(), strict=True)]
    assert_the_drive(imported(text(moved)))


def test_repeated_stamps_are_merged(imported):
    damaged = [row for row in cells() for _ in range(2)]
    drive = imported(text(damaged))
    assert_the_drive(drive)
    assert told(drive)["merged"] == 2401


def test_repeated_stamps_average_their_values(imported):
    """Each stamp twice, with 1 km/h more and less: the mean is the drive."""
    damaged = []
    for t, v in zip(stamps(), speed_at(stamps()) / KM_PER_H, strict=True):
        damaged += [[f"{t:.1f}", f"{v + 1:.3f}"], [f"{t:.1f}", f"{v - 1:.3f}"]]
    assert_the_drive(imported(text(damaged)))


def test_rows_out_of_order_are_sorted(imported):
    damaged = cells()
    for i in range(50, 2300, 100):
        damaged[i : i + 8] = damaged[i : i + 8][::-1]
    drive = imported(text(damaged))
    assert_the_drive(drive)
    assert told(drive)["sorted"] == 23 * 7


def test_a_log_that_runs_backward_is_turned_round(imported):
    drive = imported(text(cells()[::-1]))
    assert_the_drive(drive)
    assert told(drive)["reversed"] == 1


@pytest.mark.parametrize("stamp", ["0.0", "1000000.0", "-7.5"])
def test_lone_stray_stamps_are_dropped(imported, stamp):
    damaged = cells()
    damaged[700][0] = damaged[1500][0] = stamp
    drive = imported(text(damaged))
    assert_the_drive(drive)
    assert told(drive)["stray_stamps"] == 2


def test_a_clock_reset_falls_into_parts(imported):
    half = [row[:] for row in cells()]
    for t, row in zip(stamps()[1200:], half[1200:], strict=True):
        row[0] = f"{t - 120.0:.3f}"
    content = text(half)
    with pytest.raises(InputError, match=r"falls into 2 parts: 1: 0 to 119.9 s, .*--part longest"):
        imported(content)
    drive = imported(content, cleaning=Cleaning(part="2"))
    assert drive.cycle.duration == pytest.approx(120.0)
    assert drive.cycle.distance == pytest.approx(LENGTH / 2, rel=2e-3)
    assert told(drive)["clock_resets"] == 1


def test_short_gaps_are_bridged(imported):
    damaged = [row for i, row in enumerate(cells()) if not 500 < i < 525 and not 910 < i < 930]
    drive = imported(text(damaged))
    assert_the_drive(drive, near=1.0 * KM_PER_H)  # a chord of 2.5 s in an arch of 60 s
    assert told(drive)["gaps_bridged"] == 2
    assert any("the longest 2.5 s" in one.text for one in drive.done)


def test_long_gaps_cut_the_log(imported):
    damaged = [row for i, row in enumerate(cells()) if not 1000 < i < 1100]
    with pytest.raises(InputError, match=r"2: 110 to 240 s, .* \(after a gap of 10 s\)"):
        imported(text(damaged))
    drive = imported(text(damaged), cleaning=Cleaning(part="longest"))
    assert drive.cycle.duration == pytest.approx(130.0)
    assert drive.cycle.speed[0] == pytest.approx(speed_at(110.0), rel=0.01)
    assert {"starts_moving", "part"} <= told(drive).keys()
    assert_the_drive(imported(text(damaged), cleaning=Cleaning(bridge=11.0)), 11 * KM_PER_H, 0.01)


@pytest.mark.parametrize("part", ["0", "3", "-1", "x", "²"])
def test_a_part_that_is_not_there(imported, part):
    damaged = [row for i, row in enumerate(cells()) if not 1000 < i < 1100]
    with pytest.raises(InputError, match="give 1 to 2, or longest"):
        imported(text(damaged), cleaning=Cleaning(part=part))


@pytest.mark.parametrize("length", [1, 5, 20])
@pytest.mark.parametrize("value", ["655.35", "0", "200"])
def test_spikes_and_dropouts_are_removed(imported, value, length):
    damaged = cells()
    for begin in (250, 960, 1600):  # on the slopes and near the top of the hills
        for row in damaged[begin : begin + length]:
            row[1] = value
    drive = imported(text(damaged))
    assert_the_drive(drive, near=0.6 * KM_PER_H)  # a chord of 2 s in the arch
    assert {"spikes", "impossible"} & told(drive).keys()


def test_a_spike_at_either_end_is_left_out(imported):
    damaged = cells()
    damaged[0][1] = damaged[-1][1] = "250"
    drive = imported(text(damaged))
    assert drive.cycle.duration == pytest.approx(DURATION - 0.2)
    assert drive.cycle.distance == pytest.approx(LENGTH, rel=1e-3)
    assert told(drive)["scraps"] == 2


def test_a_jump_without_return_cuts_the_log(imported):
    damaged = cells()
    for row in damaged[1300:]:
        row[1] = f"{float(row[1]) + 40:.3f}"
    with pytest.raises(InputError, match=r"falls into 2 parts.*after a jump of speed"):
        imported(text(damaged))


def test_limits_of_acceleration_are_options(imported):
    """A spike of 20 km/h in 1 s is 5.6 m/s2: real for the default limits, not for 3 m/s2."""
    damaged = rows(stamps(1))
    damaged[30][1] = f"{float(damaged[30][1]) + 20:.3f}"
    assert imported(text(damaged)).cycle.speed[30] > 19.0
    mended = imported(text(damaged), cleaning=Cleaning(gain_max=3.0))
    assert_the_drive(mended, near=0.2 * KM_PER_H)  # a chord of 2 s over the top


def test_noise_at_rest_is_zero(imported):
    noise = np.random.default_rng(1).normal(0.0, 0.1, 601)
    rest = [[f"{t:.1f}", f"{v:.3f}"] for t, v in zip(np.arange(601) / 10, noise, strict=True)]
    moved = [[f"{float(t) + 60.1:.1f}", v] for t, v in cells()]
    drive = imported(text(rest + moved))
    assert not drive.cycle.speed[:59].any()
    assert drive.cycle.distance == pytest.approx(LENGTH, rel=2e-3)
    assert told(drive)["negative"] > 200 and told(drive)["standstill"] > 200


def test_driving_backward(imported):
    """A short one counts as forward; a whole log of it has a wrong sign."""
    damaged = cells()
    for row in damaged[20:60]:
        row[1] = f"-{row[1]}"
    drive = imported(text(damaged))
    assert_the_drive(drive, near=8 * KM_PER_H)
    assert told(drive)["backward"] > 20
    with pytest.raises(InputError, match="the sign or the channel is wrong"):
        imported(text([[t, f"-{v}"] for t, v in cells()]))


def test_not_a_number_in_every_spelling(imported):
    damaged = cells()
    for i, word in enumerate(["nan", "NaN", "", "-", "N/A", "null", "inf", "-inf"]):
        damaged[100 + 40 * i][1] = word
    drive = imported(text(damaged))
    assert_the_drive(drive)
    assert told(drive)["speed_blank"] == 8 and "speed_unreadable" not in told(drive)


def test_a_log_that_starts_and_ends_while_moving(imported):
    drive = imported(text(cells()[200:2200]))
    assert drive.cycle.duration == pytest.approx(200.0, abs=0.2)
    wanted = speed_at(drive.cycle.time + 20.0)
    assert np.abs(drive.cycle.speed - wanted).max() < 0.7 * KM_PER_H
    assert {"starts_moving", "ends_moving"} <= told(drive).keys()


def test_wrong_units_do_not_pass_quietly(imported):
    """Speed in m/s said to be km/h is plain in the figures reported: 0.54 of 1.92 km."""
    with pytest.warns(
        InputWarning, match=r"rises by at most about 0.23 m/s2 .*multiply them by 3.6"
    ):
        drive = imported(text([[t, f"{float(v) / 3.6:.4f}"] for t, v in cells()]))
    assert drive.cycle.distance == pytest.approx(LENGTH / 3.6, rel=0.01)
    knots = text([[t, f"{float(v)}"] for t, v in cells()], ("time [s]", "speed [W]"))
    with pytest.raises(InputError, match="has the unit 'W', which is none of speed"):
        imported(knots)


def test_everything_at_once(imported):
    """Semicolons, decimal commas, utf-16, repeats, disorder, a gap, a dropout, noise."""
    noise = np.random.default_rng(2).normal(0.0, 0.15, 2401)
    damaged = [
        [f"{t:.1f}", f"{v + n:.2f}"]
        for t, v, n in zip(stamps(), speed_at(stamps()) / KM_PER_H, noise, strict=True)
    ]
    damaged[1500][1] = damaged[1501][1] = "0"
    damaged[333], damaged[334] = damaged[334], damaged[333]
    damaged.insert(800, damaged[800])
    del damaged[2000:2015]
    drive = imported(text(damaged, delimiter=";", comma=True), encoding="utf-16")
    assert_the_drive(drive, near=0.5 * KM_PER_H, far=2e-3)
    assert {"spikes", "sorted", "merged", "gaps_bridged", "negative"} <= told(drive).keys()
    assert drive.cycle.duration == pytest.approx(DURATION)


@pytest.mark.parametrize("long", [26.0, 39.5])
def test_a_short_log_whose_speed_rises_at_its_end_is_a_drive(imported, long):
    """At rest but for 2 m/s2 over the last 5 s."""
    time = np.arange(0.0, long, 0.5)
    speed = 3.6 * np.maximum(2.0 * (time - long + 5.0), 0.0)
    drive = imported(text([[f"{t:.1f}", f"{v:.2f}"] for t, v in zip(time, speed, strict=True)]))
    assert drive.cycle.distance == pytest.approx(25.0, abs=6.0)
