"""Hand-made rule tables for the plain driveline, small enough to be checked by eye; files."""

import hashlib

import numpy as np
from makers import plain_driveline

from hybridopt.base.units import KM_PER_H, KW, RPM
from hybridopt.controllers.maps import Map
from hybridopt.tables.files import write_csv, write_json, write_netcdf
from hybridopt.tables.rule_set import Coverage, Origin, RuleSet, gearbox_facts
from hybridopt.tables.rule_table import LAYOUT, RuleTable

TRAINING = hashlib.sha256(b"made by hand").hexdigest()
SOCS = np.array([0.4, 0.5, 0.6])
SPEEDS = np.array([0.0, 50.0, 100.0]) * KM_PER_H
INPUT_SPEEDS = np.array([400.0, 2000.0, 5000.0]) * RPM
INPUT_TORQUES = np.array([-100.0, 0.0, 60.0, 200.0])
GEARS = np.array([1.0, 2.0, 3.0])
WHEEL_TORQUES = np.array([-500.0, 0.0, 1000.0])
STATES = np.array([0.0, 1.0])


def hand_made(title="made by hand", driveline=None):
    """Return rule tables with coverage; values have awkward digits so that none is exact."""
    start = np.array([[4.0, 9.0, 20.0], [3.0, 8.0, 15.0], [1.0, 2.0, 3.0]]) * KW * 1.001
    full = np.linspace(20.0, 160.0, 3)[:, None, None]
    torque = INPUT_TORQUES[None, :, None] - full * (0.3 + SOCS[None, None, :] / 3.0)
    up = np.array([[15.0, 15.0, 30.0], [30.0, 35.0, 60.0]])
    up = np.stack([up, up * 1.1], axis=-1) * KM_PER_H
    down = np.array([[12.0, 11.0, 20.0], [26.0, 27.0, 45.0]])
    down = np.stack([down, down * 1.1], axis=-1) * KM_PER_H
    table = RuleTable(
        min_on=2.0,
        min_off=3.0,
        min_gear=1.5,
        land_up=0.7,
        land_down=0.4,
        motion_charge=0.031,
        engine_start=Map((SPEEDS, SOCS), start),
        engine_stop=Map((SPEEDS, SOCS), start / 3.0 - 1e3),
        electric_limit=Map((INPUT_SPEEDS,), np.array([100.0, 100.0, 50.0]) / 0.97),
        motor_torque=Map((INPUT_SPEEDS, INPUT_TORQUES, SOCS), torque),
        shift_up=Map((GEARS[:-1], WHEEL_TORQUES, STATES), up),
        shift_down=Map((GEARS[1:], WHEEL_TORQUES, STATES), down),
    )
    random = np.random.default_rng(3)
    coverage = {}
    for name, shape in (("engine_start", (3, 3)), ("motor_torque", (3, 4, 3))):
        visits, regret, draw = random.exponential(10.0, (3, *shape))
        coverage[name] = Coverage(visits, regret, draw < 3.0)
    origin = Origin(title, "plain", ("wltc_class3b", "a, b"), TRAINING, "0.1.0")
    return RuleSet(table, gearbox_facts(driveline or plain_driveline()), origin, coverage)


def written(rule_set, folder, kind, overwrite=False):
    """Write a rule set and return its path."""
    match kind:
        case "json":
            path = folder / "rules.json"
            write_json(rule_set, path, overwrite=overwrite)
        case "netcdf":
            path = folder / "rules.nc"
            write_netcdf(rule_set, path, overwrite=overwrite)
        case _:
            path = folder / "tables"
            path.mkdir(exist_ok=True)
            write_csv(rule_set, path, overwrite=overwrite)
    return path


def arrays(rule_set):
    """Return all arrays by name."""
    found = {
        f"{name} {i}": axis for name in LAYOUT for i, axis in enumerate(rule_set.map(name).axes)
    }
    found |= {name: rule_set.map(name).values for name in LAYOUT}
    for name, coverage in rule_set.coverage.items():
        found |= {f"{name} {key}": value for key, value in vars(coverage).items()}
    return found | rule_set.constants


def edited(path, old, new):
    text = path.read_text()
    assert text.count(old) >= 1, text
    path.write_text(text.replace(old, new, 1))
