"""Charge balance and correction factor: by hand, and the factor against the bound's multiplier.

Criterion, limits and least squares: UN GTR No. 15, Annex 8, Appendix 2 (from memory).
"""

import numpy as np
import pytest
import xarray as xr
from case_counts import some

from hybridopt import InputError, Settings, cycle_names, read_cycle, read_driveline
from hybridopt.evaluation.charge_factor import charge_factor
from hybridopt.optimum.charge_balance import charge_totals, verdict
from hybridopt.pipeline import find_optimum


def totals_of(watts, cycle="udds"):
    """A drive of 100 s and 100 g of fuel at 42.9 kJ/g whose battery gives so many watts."""
    trace = xr.Dataset(
        {"stored_power": ("time", np.full(100, watts)), "dt": ("time", np.ones(100))}
    )
    totals = {"fuel_g": 100.0, "co2_g_per_km": 50.0}
    fuel = read_driveline("full").fuel
    return charge_totals(trace, fuel, read_cycle(cycle), totals, 250.0 / 3.6e6)


def test_a_drive_that_discharged_is_corrected_upwards():
    """720 W for 100 s are 20 Wh; of 4.29 MJ they are 1.678 %; at 250 g/kWh they are 5 g."""
    found = totals_of(720.0)
    assert found["charge_change_Wh"] == pytest.approx(-20.0)
    assert found["charge_balance_percent"] == pytest.approx(100 * 72e3 / 4.29e6)
    assert found["fuel_corrected_g"] == pytest.approx(105.0)
    assert found["co2_corrected_g_per_km"] == pytest.approx(52.5)
    assert verdict(found) == "correction due, to 105.0 g, 52.5 g CO2/km"


@pytest.mark.parametrize(
    "watts, cycle, words",
    [
        (429.0, "udds", "no correction due"),  # 1 % exactly
        (430.0, "udds", "correction due, to "),
        (300.0, "udds", "no correction due"),
        (300.0, "wltc_class3b", "correction due, to "),  # all four phases: 0.5 %
        (-720.0, "udds", "charged: correction allowed, to 95.0 g"),
        (3000.0, "udds", "too far off"),
    ],
)
def test_what_is_due_follows_from_the_limit_and_the_sign(watts, cycle, words):
    assert verdict(totals_of(watts, cycle)).startswith(words)


@pytest.mark.long
def test_the_factor_is_the_least_squares_slope_and_near_the_multiplier():
    """The slope of a line through five points, by numpy; the multiplier within 0.5 %."""
    optimum = find_optimum(read_cycle("wltc_class3b_low"), read_driveline("full"))
    found = charge_factor(optimum)
    slope = np.polyfit(found.energy / 3.6e6, found.cost, 1)[0]
    assert found.fuel_per_kWh == pytest.approx(slope, rel=1e-6)
    assert abs(found.off_percent) < 0.5 and 0.0 <= found.deviation < 0.05 * slope
    assert found.soc_end[0] < optimum.solution.soc[-1] < found.soc_end[-1]


def test_what_cannot_be_fitted_is_refused():
    optimum = find_optimum(read_cycle("ece15"), read_driveline("full"), Settings(soc_points=201))
    with pytest.raises(InputError, match="but the window is 40 to 80 %; widen it"):
        charge_factor(optimum, span=5.0)
    with pytest.raises(InputError, match="3 ends or more"):
        charge_factor(optimum, ends=2)


@pytest.mark.long
@pytest.mark.parametrize("cycle", some(cycle_names("schedule")))
def test_the_factor_is_the_multiplier_on_every_schedule(cycle):
    optimum = find_optimum(read_cycle(cycle), read_driveline("full"))
    assert abs(charge_factor(optimum).off_percent) < 0.5
