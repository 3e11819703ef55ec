"""Plug-in use: utility factors as regulated, sums by hand, and no charge or fuel wasted.

Utility factors: Regulation (EU) 2017/1151, Annex XXI, sub-annex 8, appendix 5. Weighting and
equivalent range: UN R154, Annex 8 (from memory).
"""

import dataclasses

import numpy as np
import pytest

from hybridopt import InputError, Settings, find_optimum, read_cycle, read_driveline
from hybridopt.evaluation.plug_in import Leg, PlugIn, plug_in, utility_factor
from hybridopt.optimum.result import fuel_used
from hybridopt.physics.battery import pack_battery, stored_energy

SETTINGS = Settings(soc_start=0.5, soc_points=401, splits=21)


@pytest.fixture(scope="module")
def found():
    """The full hybrid from 80 to 50 % on short runs of town."""
    return plug_in(read_cycle("ece15"), read_driveline("full"), SETTINGS)


def test_utility_factors_are_those_of_the_regulation():
    far = np.array([0.0, 20e3, 50e3, 80e3, 100e3])
    assert utility_factor(far) == pytest.approx([0, 0.4643, 0.7546, 0.8650, 0.9021], abs=5e-5)
    assert utility_factor(50e3, 2200e3) == pytest.approx(0.4348, abs=5e-5)
    assert utility_factor(2e6) == utility_factor(800e3)


def test_weights_and_ranges_by_hand():
    """Two runs of 25 km at 0 and 100 g, sustaining at 400 g: 7/8 of the fuel are saved."""
    legs = [Leg(0.0, 18e6, 0.9, 0.5, 0, 25e3), Leg(100.0, 9e6, 0.5, 0.2, 3, 10e3)]
    sustaining = Leg(400.0, 0.0, 0.2, 0.2, 9, 0.0)
    made = PlugIn("c", "d", 25e3, legs, sustaining, 750.0, 2300.0, 0.9, 800e3, [], None)
    first, both = utility_factor([25e3, 50e3])
    assert made.weighted_fuel_g == pytest.approx((both - first) * 100.0 + (1.0 - both) * 400.0)
    assert made.weighted_energy == pytest.approx((first * 18e6 + (both - first) * 9e6) / 0.9)
    assert made.equivalent_range == pytest.approx(50e3 * (1.0 - 50.0 / 400.0))
    assert (made.depleting_range, made.electric_range) == (50e3, 35e3)
    assert made.litres_per_100km(100.0) == pytest.approx(100.0 / 750.0 / 25.0 * 100.0)
    assert made.kwh_per_100km(20e6) == pytest.approx(20e6 / 3.6e6 / 25.0 * 100.0)


@pytest.mark.long
def test_depleting_adds_up_to_the_energy_of_the_battery(found):
    cell = pack_battery(read_driveline("full").battery)
    first, last = found.depleting[0], found.depleting[-1]
    assert first.soc_start == pytest.approx(0.8) and last.soc_end >= 0.5 - 1e-9
    fall = float(stored_energy(cell, first.soc_start) - stored_energy(cell, last.soc_end))
    assert sum(leg.drawn for leg in found.depleting) == pytest.approx(fall, rel=2e-3)
    for one, other in zip(found.depleting, found.depleting[1:], strict=False):
        assert other.soc_start == pytest.approx(one.soc_end, abs=1e-12)


@pytest.mark.long
def test_depleting_wastes_neither_fuel_nor_charge(found):
    """The first run burns nothing; to end 1 % of SoC higher takes fuel, by an ordinary solve."""
    leg, cycle, driveline = found.depleting[0], read_cycle("ece15"), read_driveline("full")
    assert leg.fuel_g == 0.0 and leg.electric == pytest.approx(cycle.distance)
    at = dataclasses.replace(SETTINGS, terminal="target", soc_start=leg.soc_start)
    for more, least in ((0.0, 0.0), (0.01, 0.5)):
        wanted = dataclasses.replace(at, soc_target=leg.soc_end + more)
        fuel = fuel_used(find_optimum(cycle, driveline, wanted, bound=False).trace)
        assert fuel > least if more else fuel == least


def test_blended_trip_takes_no_more_than_its_parts(found):
    """The parts are one schedule of the trip; its optimum costs no more but for the grid."""
    assert len(found.parts) == len(found.depleting) + 1
    assert found.parts[-1].attrs["soc_end"] == pytest.approx(0.5, abs=2e-6)
    assert found.blended.solution.soc[-1] == pytest.approx(0.5, abs=2e-6)
    parts = found.parts_fuel_g
    assert parts > 0.0 and found.blended_fuel_g <= parts * (1.0 + 2e-3)
    assert found.blended.bound.bound <= found.blended.solution.cost


def test_what_makes_no_sense_is_refused():
    cycle, driveline = read_cycle("ece15"), read_driveline("full")
    with pytest.raises(InputError, match="there is nothing to deplete; set a lower"):
        plug_in(cycle, driveline, Settings(soc_start=0.79))
    with pytest.raises(InputError, match="charger efficiency 0 and"):
        plug_in(cycle, driveline, SETTINGS, charger_efficiency=0.0)
