"""What functions are worth on a drive: switching one off never lowers the minimum cost.

That is proved, not only measured: the cost of the restricted driveline is set against the bound
of the free one, which no schedule of either beats; and where a function matters, the bound of the
restricted one against the cost of the free one. `tests/test_step_functions.py` checks the same on
single points.
"""

import dataclasses
import functools
import itertools

import pytest
from case_counts import some

from hybridopt import InfeasibleError, Settings, read_cycle, read_driveline, solve_cycle
from hybridopt.base.units import KM_PER_H, RPM
from hybridopt.inputs.driveline import Functions
from hybridopt.study.scaling import scaled

NAMES = [field.name for field in dataclasses.fields(Functions)]
GRID = {"soc_points": 501, "splits": 31}
WITHOUT_PUMP = {  # those of the shipped mild hybrid
    "electric_oil_pump": False,
    "pump_speed": 700 * RPM,
    "fade_speed_low": 6 * KM_PER_H,
    "fade_speed_high": 14 * KM_PER_H,
}
OTHERS = {"can_boost", "can_recuperate", "can_coast", "can_stop_engine"}
MATTERS = {
    ("full", "udds_part"): {*NAMES} - {"can_coast"},
    ("full", "wltc_class3b_low"): {*NAMES} - {"can_boost"},
    **{
        (name, cycle): OTHERS
        for name in ("mild", "micro")
        for cycle in ("udds_part", "wltc_class3b_low")
    },
}
"""Functions that pay by more than the gap of the proof, whatever events cost."""
DRIVELINES = ("full", "mild", "micro")
PRICED, FREE = (0.05, 0.3), (0.0, 0.0)  # g per shift and start


def clutches(car, **changes):
    return dataclasses.replace(car, clutches=dataclasses.replace(car.clutches, **changes))


def without(car, name):
    return dataclasses.replace(car, functions=dataclasses.replace(car.functions, **{name: False}))


def drive(name):
    """Return the cycle; of UDDS the first two hills, with the first motorway part."""
    return read_cycle("udds").cut(0, 340) if name == "udds_part" else read_cycle(name)


def solved(car, cycle, **events):
    """Return cost, fuel and bound, g."""
    attrs = solve_cycle(drive(cycle), car, Settings(**GRID, **events)).dataset.attrs
    assert attrs["bound_g"] <= attrs["cost_g"] * (1.0 + 1e-12)
    return attrs["cost_g"], attrs["fuel_g"], attrs["bound_g"]


@functools.cache
def free(name, cycle, shift_cost, start_cost):
    return solved(read_driveline(name), cycle, shift_cost=shift_cost, start_cost=start_cost)


def check_switch(name, function, cycle, events):
    cost, fuel, bound = free(name, cycle, *events)
    car = without(read_driveline(name), function)
    held = solved(car, cycle, shift_cost=events[0], start_cost=events[1])
    assert held[0] >= bound
    if events == FREE:  # the cost is fuel then, and a penalty for what is missing of the charge
        assert held[1] <= held[0] * (1.0 + 1e-12)
    if function in MATTERS[name, cycle]:
        assert held[2] > cost
    if not getattr(read_driveline(name).functions, function):
        assert held == (cost, fuel, bound), "it is off already"


@pytest.mark.long
@pytest.mark.parametrize(
    ("name", "function"),
    [
        *(("full", function) for function in NAMES),
        *(
            pytest.param(*both, marks=pytest.mark.long)
            for both in some([*itertools.product(DRIVELINES[1:], NAMES)])
        ),
    ],
)
def test_no_function_switched_off_lowers_the_cost(name, function):
    check_switch(name, function, "udds_part", PRICED)


@pytest.mark.long
@pytest.mark.parametrize(("name", "function"), some([*itertools.product(DRIVELINES, NAMES)]))
def test_no_function_switched_off_lowers_the_fuel_where_events_are_free(name, function):
    check_switch(name, function, "udds_part", FREE)


@pytest.mark.long
@pytest.mark.parametrize(
    ("name", "function", "events"), some([*itertools.product(DRIVELINES, NAMES, (PRICED, FREE))])
)
def test_no_function_switched_off_lowers_the_cost_in_town(name, function, events):
    check_switch(name, function, "wltc_class3b_low", events)


def test_what_holds_the_charge_is_needed():
    """Without load-point shift and recuperation nothing charges, so no charge can be held."""
    car = without(without(read_driveline("full"), "can_shift_load_point"), "can_recuperate")
    with pytest.raises(InfeasibleError, match="the final SoC of 60 % is out of reach"):
        solved(car, "udds_part")


@pytest.mark.long
def test_functions_off_together_cost_no_less_than_each():
    """Each single switch is a relaxation of several together."""
    names, events = [n for n in NAMES if n != "can_shift_load_point"], {"start_cost": 0.3}
    car = read_driveline("full")
    for name in names:
        car = without(car, name)
    cost = solved(car, "udds_part", **events)[0]
    for name in names:
        assert cost >= solved(without(read_driveline("full"), name), "udds_part", **events)[2]
    assert cost > free("full", "udds_part", *PRICED)[0]


# --- the electric oil pump ---


@pytest.mark.long
@pytest.mark.parametrize("cycle", ["udds_part", "wltc_class3b_low"])
@pytest.mark.parametrize("name", DRIVELINES)
def test_a_pump_that_draws_nothing_never_costs(name, cycle):
    """One that draws power may: its 60 W go on while the motor drives alone."""
    car = read_driveline(name)
    lacking = car if not car.clutches.electric_oil_pump else clutches(car, **WITHOUT_PUMP)
    fitted = clutches(lacking, electric_oil_pump=True, oil_pump_power=0.0)
    cost, _, bound = solved(fitted, cycle)
    held = solved(lacking, cycle)
    assert held[0] >= bound
    assert held[2] > cost


@functools.cache
def pumps(name, cycle):
    """Return cost, fuel and bound with the pump at its 60 W, with one of 0 W, and without.

    The last entry is the driveline that recuperates like one without a pump, and drives off like
    one with it.
    """
    fitted = clutches(read_driveline(name), electric_oil_pump=True)
    lacking = clutches(fitted, **WITHOUT_PUMP)
    assert fitted.clutches.oil_pump_power == 60.0
    return [
        solved(car, cycle)
        for car in (
            fitted,
            clutches(fitted, oil_pump_power=0.0),
            lacking,
            clutches(lacking, pump_speed=0.0),
        )
    ]


@pytest.mark.long
@pytest.mark.parametrize("cycle", some(["udds", "wltc_class3b"]))
def test_pump_of_a_mild_hybrid_is_worth_up_to_two_percent(cycle):
    """It recuperates down to standstill; worth up to about 1.5 to 2 % (common practice, no source).

    Measured: 0.86 % on UDDS and 0.08 % on WLTC 3b, net of its 60 W; 1.09 and 0.22 % gross.
    """
    net, gross, lacking, _ = pumps("mild", cycle)
    assert lacking[2] > net[0] > gross[0]
    assert 0.0 < 1.0 - net[1] / lacking[1] < 1.0 - gross[1] / lacking[1] < 0.02


@pytest.mark.long
@pytest.mark.parametrize("cycle", some(["udds", "wltc_class3b"]))
def test_pump_of_a_full_hybrid_is_worth_more_because_it_drives_off(cycle):
    """Recuperation alone stays within 2 %; driving off without the engine comes on top.

    Measured, UDDS and WLTC 3b: recuperation to standstill 1.7 and 0.3 % before what the pump
    draws, 0.7 and -0.3 % after it, since its 60 W go on in the whole electric drive; with driving
    off on the motor as well 4.0 and 0.8 %.
    """
    net, gross, lacking, fades = pumps("full", cycle)
    assert fades[2] > gross[0] and lacking[2] > fades[0]
    assert 0.0 < 1.0 - gross[1] / fades[1] < 0.02
    assert lacking[2] > net[0]
    assert 1.0 - fades[1] / lacking[1] > 1.0 - net[1] / fades[1], "most of it is driving off"


# --- with and without a separating clutch ---


@functools.cache
def laid_out(motor, separating, cycle):
    """Return a full hybrid with and without separating clutch, else the same.

    The starter takes no torque from the motor in either, and both may open the launch clutch when
    coasting, so that the one with the clutch can do whatever the other can.
    """
    car = scaled(read_driveline("full"), {"motor": motor})
    car = clutches(car, separating_clutch=separating, opens_when_coasting=True)
    car = dataclasses.replace(car, start=dataclasses.replace(car.start, starter=True))
    return solved(car, cycle)


@pytest.mark.long
@pytest.mark.parametrize("motor", [0.2, 1.0])
@pytest.mark.parametrize("cycle", ["ece15", "udds_part"])
def test_an_engine_that_can_be_parted_is_never_worse(motor, cycle):
    """Direction as in Sundström, Guzzella, Soltic (2008), "Optimal hybridization in two parallel
    hybrid electric vehicles using dynamic programming", from memory: the full hybrid, whose engine
    can be uncoupled, needs less fuel than the layout with engine and motor on one shaft.
    """
    parted, coupled = laid_out(motor, True, cycle), laid_out(motor, False, cycle)
    assert coupled[2] > parted[0]
    assert coupled[1] > 1.02 * parted[1]
