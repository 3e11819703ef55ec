"""Maps of modes: counted by hand, against another search, and by hand-made tables."""

from dataclasses import replace

import numpy as np
import pytest
from makers import OFF, RUNNING, constant_battery, plain_driveline, replayed, varied, wanted
from rule_tables import hand_made

from hybridopt.evaluation.mode_map import NOWHERE, best_modes, rule_modes, visited_modes
from hybridopt.physics.modes import Mode

PLAIN = plain_driveline()
SPEEDS, POWERS = np.array([5.0, 12.0, 20.0]), np.array([-8e3, -1e3, 2e3, 10e3, 25e3])
CAPACITY, VOLTAGE = 36_000.0, 250.0


def test_a_cell_has_the_mode_with_the_most_time():
    torque = 150.0 / (6.0 * 0.96) + 2.0  # second gear
    electric = replayed(PLAIN, wanted(10.0, 150.0, dt=1.0), 2, OFF, torque)
    engine = replayed(PLAIN, wanted(10.0, 150.0, dt=3.0), 2, RUNNING, None)
    power = float((electric["wheel_torque"] * electric["wheel_speed"])[0])
    edges = np.array([0.0, 9.0, 11.0]), np.array([0.0, 0.9 * power, 1.1 * power])
    assert visited_modes([electric], *edges).tolist() == [[NOWHERE] * 2, [NOWHERE, Mode.ELECTRIC]]
    assert visited_modes([electric, engine], *edges)[1, 1] == Mode.ENGINE_ONLY


def best(worth):
    return best_modes(PLAIN, SPEEDS, POWERS, [worth], [0.5])[0]


def test_charge_without_worth_is_used_and_dear_charge_is_not():
    free = best(1e-9)
    assert np.isin(free[:, POWERS > 0], (Mode.ELECTRIC, Mode.BOOST)).all()
    dear = best(1e6)
    assert (dear[:, POWERS > 0] == Mode.LOAD_POINT_SHIFT).all()
    assert (best(500.0)[:, 0] == Mode.REGEN).all()


def test_nothing_can_drive_beyond_all_limits():
    (modes,) = best_modes(PLAIN, np.array([5.0]), np.array([1e6]), [100.0], [0.5])
    assert modes.tolist() == [[NOWHERE]]


ANSWERS = {0.33: (True, False), 0.355: (False, False), 0.38: (False, True)}


@pytest.mark.parametrize(("efficiency", "answer"), ANSWERS.items())
def test_border_of_electric_drive_in_closed_form(efficiency, answer):
    """One lossless gear, a battery without resistance, charge worth 1 / (heat x efficiency) g/J.

    Engine: (T + 20) w / 0.4 J of fuel; motor: 100 + w + 0.05 T^2 W lost, 2 N m of drag unpowered
    (tests/makers.py). The cost of a torque split is least where 0.4 (1 + 0.1 T / w) = efficiency,
    or at a limit of the engine (0 to 200 N m) or motor (160 N m).
    """
    gear = {"ratios": (2.0,), "efficiencies": (1.0,), "drag_torques": (0.0,)}
    ideal = varied(PLAIN, gearbox=gear, auxiliary={"power": 0.0})
    ideal = replace(ideal, battery=constant_battery(voltage=VOLTAGE, resistance=1e-9))
    heat, speed = 42_000.0, 20.0
    shaft = speed / 0.3 * 6.0
    price, powers = 1.0 / (heat * efficiency), np.linspace(2e3, 20e3, 37)

    def cost(engine, motor):
        lost = 100.0 + shaft + 0.05 * motor**2
        return (engine + 20.0) * shaft / 0.4 / heat + price * (motor * shaft + lost)

    torque = powers / shaft
    motor = np.full(torque.size, 10.0 * shaft * (efficiency / 0.4 - 1.0))
    motor = np.clip(motor, np.maximum(torque - 200.0, -160.0), np.minimum(torque, 160.0))
    unpowered = (torque + 2.0 + 20.0) * shaft / 0.4 / heat
    running = np.minimum(cost(torque - motor, motor), unpowered)
    off = price * (torque * shaft + 100.0 + shaft + 0.05 * torque**2)
    clear = np.abs(off - running) > 2e-3 * off
    worth = price * CAPACITY * VOLTAGE
    modes = best_modes(ideal, np.array([speed]), powers, [worth], [0.5])[0][0]
    assert clear.sum() > 30
    assert ((modes == Mode.ELECTRIC) == (off < running))[clear].all()
    electric = int((off < running)[clear].sum())
    assert (electric == 0, electric == clear.sum()) == answer


@pytest.mark.parametrize("engine_on", [False, True])
def test_rules_by_hand(engine_on):
    """SoC 50 % at 50 km/h, where motion counts as 0.775 %: start at 8.551 kW, stop below 1.850 kW.

    The tables are those of tests/rule_tables.py.
    """
    speeds = np.array([50.0 / 3.6])
    powers = np.array([-5e3, 1.8e3, 5e3, 8.6e3])
    modes = rule_modes(hand_made(), 0.3, speeds, powers, 0.5, engine_on)[0].tolist()
    assert modes[0] == Mode.REGEN
    assert modes[1] == Mode.ELECTRIC
    running = (Mode.BOOST, Mode.LOAD_POINT_SHIFT, Mode.ENGINE_ONLY)
    assert (modes[2] in running) == engine_on
    assert modes[3] in running
