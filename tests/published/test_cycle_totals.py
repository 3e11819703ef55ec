"""Shipped cycles against published totals; [q] quoted from the source, [m] from memory.

`cycles/SOURCES.md` lists the sources; figures marked [c] are computed from the inputs named.
"""

import csv
from collections import Counter

import numpy as np
import pytest

from hybridopt.inputs.catalogue import cycles_folder
from hybridopt.inputs.cycle import read_cycle

MILE = 1609.344  # m, exact
MPH = MILE / 3600.0  # m/s

# name, duration s, distance m, top speed km/h, tolerance of the distance
TOTALS = [
    # UN GTR 15, Annex 1 [q]; our table is 3.9 m short in the High phase
    ("wltc_class3b", 1800, 23266, 131.3, 2e-4),
    # phases: distances [q], durations and top speeds [m]
    ("wltc_class3b_low", 589, 3095, 56.5, 2e-4),
    ("wltc_class3b_medium", 433, 4756, 76.6, 2e-4),
    ("wltc_class3b_high", 455, 7162, 97.4, 6e-4),
    ("wltc_class3b_extra_high", 323, 8254, 131.3, 2e-4),
    # UN GTR 15, Annex 1, Low2 + Medium2 + High2 [m]
    ("wltc_class2", 1477, 3132 + 4712 + 6820, 85.2, 2e-4),
    # 40 CFR 86 and 600 [m]; the UDDS has three more zeros than the published 1369 s
    ("udds", 1372, 7.45 * MILE, 56.7 * MPH * 3.6, 7e-4),
    ("hwfet", 765, 10.26 * MILE, 59.9 * MPH * 3.6, 5e-4),
    ("ftp75", 1877, 11.04 * MILE, 56.7 * MPH * 3.6, 5e-4),
    # UN R83, Annex 4a: ECE-15 1.013 km printed [q], the rest [m]
    ("ece15", 195, 1013, 50.0, 6e-3),
    ("eudc", 400, 6955, 120.0, 1e-4),
    ("nedc", 1180, 11007, 120.0, 2e-3),
    # Andre 2004 [m]; durations count samples, ours the time between the first and the last
    ("artemis_urban", 993, 4874, 57.7, 1e-3),
    ("artemis_rural", 1081, 17275, 111.5, 2e-4),
    ("artemis_motorway130", 1067, 28737, 131.8, 1e-4),
    ("artemis_motorway150", 1067, 29547, 150.4, 1e-4),
]


@pytest.mark.parametrize(("name", "duration", "distance", "top", "tolerance"), TOTALS)
def test_totals(name, duration, distance, top, tolerance):
    cycle = read_cycle(name)
    assert cycle.duration == duration
    assert cycle.distance == pytest.approx(distance, rel=tolerance)
    assert cycle.max_speed * 3.6 == pytest.approx(top, abs=0.05)


# duration s, distance km, top km/h, share at rest, from the notes of who cut the drives, made from
# the data of DrivePlotR apart from this package; at rest is taken as below 0.1 m/s
DRIVES = {
    "real_city": (1381, 8.4, 95, 0.55),
    "real_suburb": (685, 6.1, 73, 0.22),
    "real_mixed": (1037, 6.9, 85, 0.45),
    "real_motorway": (1575, 44.7, 136, 0.0),
    "real_stop_and_go": (1007, 2.3, 59, 0.60),
}


@pytest.mark.parametrize("name", DRIVES)
def test_totals_of_recorded_drives(name):
    duration, distance, top, rest = DRIVES[name]
    cycle = read_cycle(name)
    assert cycle.duration == duration
    assert cycle.distance / 1e3 == pytest.approx(distance, abs=0.05)
    assert cycle.max_speed * 3.6 == pytest.approx(top, abs=0.6)
    assert np.mean(cycle.speed < 0.1) == pytest.approx(rest, abs=5e-3)


def test_wltc_class3b_mean_speed_and_stops():
    """46.5 km/h and 13.4 % stops [q]; a stop is taken here as a mean below 1 km/h."""
    cycle = read_cycle("wltc_class3b")
    assert cycle.distance / cycle.duration * 3.6 == pytest.approx(46.5, abs=0.05)
    stopped = cycle.dt[cycle.mean_speed < 1 / 3.6].sum() / cycle.duration
    assert stopped == pytest.approx(0.134, abs=5e-4)


def test_wltc_class3b_phases_make_the_whole():
    phases = ("low", "medium", "high", "extra_high")
    total = sum(read_cycle(f"wltc_class3b_{phase}").distance for phase in phases)
    assert total == pytest.approx(read_cycle("wltc_class3b").distance, rel=1e-12)


def test_wltc_class3b_sum_of_speeds():
    """83 758.6 km/h in the regulation's table [q]; our table lacks 14 km/h (regression only)."""
    assert read_cycle("wltc_class3b").speed.sum() * 3.6 == pytest.approx(83758.6 - 14.0, abs=0.05)


@pytest.mark.parametrize(
    ("limits", "distance"), [((0, 589), 3132), ((589, 1022), 4712), ((1022, 1477), 6820)]
)
def test_wltc_class2_phases(limits, distance):
    """UN GTR 15, Annex 1, phases Low2, Medium2 and High2 [m]."""
    assert read_cycle("wltc_class2").cut(*limits).distance == pytest.approx(distance, abs=1)


@pytest.mark.parametrize(("name", "distance"), [("ece15", 1018.3), ("eudc", 6954.9)])
def test_operations_integrate_to(name, distance):
    """Linear operations, integrated by hand [c]."""
    assert read_cycle(name).distance == pytest.approx(distance, abs=0.1)


@pytest.mark.parametrize(
    ("name", "breakdown"),
    [
        # the regulation's breakdown by phase [q]
        (
            "ece15",
            {
                "idle": 60,
                "deceleration declutched": 9,
                "gear change": 8,
                "acceleration": 36,
                "steady": 57,
                "deceleration": 25,
            },
        ),
        # summed from the operations [c]
        (
            "eudc",
            {
                "idle": 40,
                "deceleration declutched": 10,
                "gear change": 6,
                "acceleration": 103,
                "steady": 209,
                "deceleration": 32,
            },
        ),
    ],
)
def test_breakdown_by_phase(name, breakdown):
    seconds: Counter[str] = Counter()
    with open(cycles_folder() / f"{name}_operations.csv", encoding="utf-8") as file:
        operations = list(csv.DictReader(file))
    for row in operations:
        seconds[row["operation"]] += int(row["duration_s"])
    assert seconds == breakdown
    ends = [row["speed_end_km_per_h"] for row in operations[:-1]]
    assert [row["speed_start_km_per_h"] for row in operations[1:]] == ends


def test_nedc_rests_280_s():
    """4 x 60 s in the ECE-15 [q] and 40 s in the EUDC [c]."""
    cycle = read_cycle("nedc")
    assert cycle.dt[cycle.mean_speed == 0].sum() == 280


def test_mean_tractive_energy_of_the_mveg95():
    """Guzzella & Sciarretta, Vehicle Propulsion Systems, ch. 2, kJ per 100 km [m].

    Printed: A_f c_d 1.9e4 + m c_r 8.4e2 + m 10 without recuperation (traction steps only), and
    A_f c_d 2.2e4 + m c_r 9.81e2 with it, for air of 1.2 kg/m3. The printed mass term is rounded,
    or of a slightly different cycle: 11.12 here, so it is compared within 12 %.
    """
    drag, roll, mass = traction_coefficients(only_traction=True)
    assert (drag, roll, mass) == pytest.approx((1.888e4, 8.38e2, 11.12), rel=5e-4)  # [c]
    assert (drag, roll) == pytest.approx((1.9e4, 8.4e2), rel=1e-2)
    assert mass == pytest.approx(10, rel=0.12)
    assert 0.7 * drag + 1500 * 0.012 * roll + 1500 * mass == pytest.approx(44_980, rel=5e-4)  # [c]


def test_mean_tractive_energy_of_the_mveg95_with_full_recuperation():
    """As above; what the vehicle gains in speed it gives back, so the mass term is zero."""
    drag, roll, mass = traction_coefficients(only_traction=False)
    assert (drag, roll) == pytest.approx((2.172e4, 9.81e2), rel=5e-4)  # [c]
    assert (drag, roll) == pytest.approx((2.2e4, 9.81e2), rel=2e-2)
    assert mass == pytest.approx(0, abs=1e-9)


def traction_coefficients(only_traction):
    """Return the factors of A_f c_d, m c_r and m in kJ per 100 km."""
    cycle, air = read_cycle("nedc"), 1.2
    pull = cycle.acceleration >= 0 if only_traction else np.ones(cycle.dt.size, bool)
    speed, dt = cycle.mean_speed[pull], cycle.dt[pull]
    work = ((0.5 * air * speed**3) @ dt, 9.81 * speed @ dt, (speed * cycle.acceleration[pull]) @ dt)
    return tuple(100.0 * w / cycle.distance for w in work)  # J/m is kJ/km
