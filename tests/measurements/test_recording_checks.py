"""Faults put into the log of a simulated car are found, with figures; a sound log has none.

Every fault has a size that the finding must give back.
"""

import csv
import re
import warnings

import numpy as np
import pytest
from car_log import Logger, drive_car, hilly, write_log

from hybridopt import ElectricPower, InputWarning, read_cycle, read_driveline
from hybridopt.measurements.delays import delay
from hybridopt.measurements.recording_import import read_recording

PLAIN = Logger(delay=0.0, without=())


@pytest.fixture(scope="module")
def columns(tmp_path_factory):
    """Return the columns of a log of a rule-driven car, by header; speed in whole km/h."""
    path = tmp_path_factory.mktemp("car") / "car.csv"
    cycle = hilly(read_cycle("udds").cut(0, 400))
    write_log(drive_car(read_driveline("full"), cycle, ElectricPower()), path, PLAIN)
    with path.open() as file:
        rows = list(csv.reader(file))
    table = np.array(rows[1:], dtype=float).T
    return dict(zip(rows[0], table, strict=True))


@pytest.fixture
def findings(columns, tmp_path):
    """Return a function that changes columns, reads the log and returns findings by kind."""

    def findings(*without, **changed):
        named = {name.split(" [")[0].replace(" ", "_"): name for name in columns}
        table = dict(columns)
        for key, change in changed.items():
            table[named[key]] = change(table[named[key]].copy())
        for key in without:
            del table[named[key]]
        path = tmp_path / "log.csv"
        cells = [[f"{v:.6g}" if v == v else "" for v in column] for column in table.values()]
        lines = [",".join(row) for row in zip(*cells, strict=True)]
        path.write_text("\n".join([",".join(table), *lines]) + "\n")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", InputWarning)
            got = read_recording(path).findings
        return {(one.kind, one.channels): one for one in got if one.kind != "capacity"}

    return findings


def figure(finding, pattern):
    """Return the number that a finding's text holds at `{}` of a pattern."""
    return float(re.search(pattern.replace("{}", r"([-+0-9.e]+)"), finding.text)[1])


def test_a_sound_log_has_no_findings(findings):
    assert findings() == {}


def test_charge_implies_the_capacity(columns, tmp_path):
    """The demo's battery, whose capacity and coulombic efficiency the file states."""
    path = tmp_path / "log.csv"
    lines = [",".join(f"{v:.6g}" for v in row) for row in zip(*columns.values(), strict=True)]
    path.write_text("\n".join([",".join(columns), *lines]) + "\n")
    (found,) = [one for one in read_recording(path).findings if one.kind == "capacity"]
    wanted = read_driveline("full").battery.capacity / 3600.0
    assert figure(found, "capacity of {} Ah") == pytest.approx(wanted, rel=0.03)


def test_signs_are_found_with_the_way_to_turn_them(findings):
    got = findings(battery_current=lambda x: -x)
    one = got["sign", ("battery_current", "battery_voltage")]
    assert one.text.endswith("turn it with --channel battery_current=battery current [A]:-A")
    assert ("sign", ("soc", "battery_current")) in got
    got = findings(motor_torque=lambda x: -x)
    assert "--channel motor_torque=motor torque [Nm]:-Nm" in got["sign", ("motor_torque",)].text
    got = findings(motor_electric_power=lambda x: -x)
    assert ("sign", ("motor_power", "battery_voltage", "battery_current")) in got
    assert ("sign", ("motor_torque", "motor_speed", "motor_power")) in got


@pytest.mark.parametrize(
    ("column", "factor", "key", "pattern", "wanted"),
    [
        (
            "motor_electric_power",
            1e-3,
            ("factor", ("motor_torque", "motor_speed", "motor_power")),
            "motor_power is {} times motor_torque x motor_speed .0.001, as between W and kW",
            1e-3,
        ),
        (
            "engine_speed",
            np.pi / 30,
            ("ratio", ("motor_speed", "engine_speed")),
            "the motor turns {} times as fast as the engine .9.55, as between rad/s and rpm",
            30 / np.pi,
        ),
        (
            "air_mass_flow",
            3.6,
            ("factor", ("fuel_rate", "air_flow", "air_ratio")),
            "air_flow is {} times fuel_rate x air_ratio; .*3.6, as between g/s and kg/h",
            3.6 * 14.7,
        ),
        (
            "grade",
            100.0,
            ("disagrees", ("grade", "altitude")),
            "altitude rises {} times as steep as grade says .0.01, as between 1 and %",
            0.01,
        ),
    ],
)
def test_wrong_units_are_found_with_their_factor(findings, column, factor, key, pattern, wanted):
    got = findings(**{column: lambda x: x * factor})
    assert figure(got[key], pattern) == pytest.approx(wanted, rel=0.1)


@pytest.mark.parametrize("factor", [3.6, 3.6 / 0.745, 1 / 3.6])
def test_fuel_in_another_unit_gives_no_engine_of_this_world(findings, factor):
    """kg/h or l/h taken as g/s, and g/s taken as kg/h."""
    got = findings("air_mass_flow", "lambda", fuel_rate=lambda x: x * factor)
    text = got["factor", ("fuel_rate", "engine_speed", "engine_torque")].text
    assert "% of the fuel's heat into work" in text


@pytest.mark.long
@pytest.mark.parametrize("late", [3, 8])
@pytest.mark.parametrize(
    ("column", "key"),
    [
        ("fuel_rate", ("fuel_rate", "engine_speed", "engine_torque")),
        ("battery_current", ("battery_current", "motor_power")),
        ("motor_speed", ("motor_speed", "speed")),
    ],
)
def test_delays_are_estimated(findings, column, key, late):
    got = findings(**{column: lambda x: np.concatenate((np.full(late, x[0]), x[:-late]))})
    assert figure(got["delay", key], "comes {} s behind") == pytest.approx(0.1 * late, abs=0.08)


def test_fuel_that_is_late_in_short_runs_of_the_engine(findings):
    """Runs of 5 s: the engine never turns for all the time that is looked at around a sample."""

    def runs(x, late=0):
        return np.where((np.arange(x.size) - late) % 200 < 50, np.roll(x, late), 0.0)

    got = findings(
        *("air_mass_flow", "lambda"),
        engine_speed=runs,
        engine_torque=runs,
        fuel_rate=lambda x: runs(x, late=10),
    )
    text = got["delay", ("fuel_rate", "engine_speed", "engine_torque")]
    assert figure(text, "comes {} s behind") == pytest.approx(1.0, abs=0.08)


@pytest.mark.parametrize("late", [20, 40])
def test_a_clock_of_the_battery_that_is_seconds_late_is_told(findings, late):
    """2 and 4 s; no unit of speed is offered for what two powers then differ by."""

    def behind(x):
        return np.concatenate([x[:1].repeat(late), x[:-late]])

    got = findings(battery_current=behind, battery_voltage=behind)
    told = got["delay", ("battery_current", "motor_power")]
    assert figure(told, "comes {} s behind") == pytest.approx(0.1 * late, abs=0.08)
    assert not any("mph" in one.text for one in got.values())


def test_delay_of_a_swing_in_closed_form():
    """sin(t) and sin(t - 0.437): the lag to a hundredth of a second at 10 Hz."""
    time = np.arange(0.0, 120.0, 0.1)
    first, second = np.sin(time), np.sin(time - 0.437)
    everywhere = np.ones(time.size, dtype=bool)
    assert delay(first, second, everywhere, 0.1) == pytest.approx((0.437, 1.0), abs=0.01)
    assert delay(first, -second, everywhere, 0.1) == pytest.approx((0.437, -1.0), abs=0.01)
    assert delay(first, 0 * second, everywhere, 0.1) == (0.0, 0.0)


def test_a_motor_that_counts_backward_a_sum_of_fuel_and_a_shaft_that_shows_a_few_rpm(findings):
    """Turned round as the first text says, nothing is left to say; with the torque turned too,
    what is left is that the torque is."""
    got = findings(motor_speed=lambda x: -x)
    assert "--channel motor_speed=motor speed [rpm]:-rpm" in got["sign", ("motor_speed",)].text
    assert ("sign", ("motor_torque",)) not in got
    got = findings(motor_speed=lambda x: -x, motor_torque=lambda x: -x)
    assert {("sign", ("motor_speed",)), ("sign", ("motor_torque",))} <= got.keys()
    got = findings(fuel_rate=lambda x: np.cumsum(x) / 100)
    assert "never falls" in got["unit", ("fuel_rate",)].text
    assert findings(engine_speed=lambda x: np.maximum(x, 50.0)) == {}


@pytest.mark.long
def test_frozen_dropped_and_stepped_channels(findings):
    def freeze(x):
        x[1800:2600] = 1500.0
        return x

    one = findings(engine_speed=freeze)["frozen", ("engine_speed",)]
    assert (one.start, one.stop) == (pytest.approx(180, abs=0.3), pytest.approx(260, abs=0.3))

    def lose(x):
        x[2000:2300] = np.nan
        return x

    one = findings(battery_current=lose)["dropout", ("battery_current",)]
    assert (one.start, one.stop) == (pytest.approx(200, abs=0.2), pytest.approx(230, abs=0.2))

    def blink(x):
        x[1500:1504] = 0.0
        return x

    assert (
        "falls to 0 and back 1 times"
        in findings(battery_voltage=blink)["dropout", ("battery_voltage",)].text
    )
    got = findings(battery_soc=lambda x: 2 * np.round(x / 2))
    assert figure(got["steps", ("soc",)], "in steps of {} %") == 2
    assert "throughout" in findings(battery_soc=lambda x: 0 * x + 55)["frozen", ("soc",)].text
    assert "is its unit %" in findings(battery_soc=lambda x: x * 100)["unit", ("soc",)].text


def test_fuel_while_the_engine_stands(findings, columns):
    stands = columns["engine speed [rpm]"] < 10
    got = findings(fuel_rate=lambda x: np.where(stands, 0.2, x))
    text = got["disagrees", ("fuel_rate", "engine_speed")].text
    grams = float(re.search(r"stands: ([0-9.]+) g", text)[1])
    assert grams == pytest.approx(0.02 * stands.sum(), rel=0.1)


def test_a_small_leak_counts_wherever_the_engine_stands(findings, columns):
    """0.4 kg/h of air at lambda 1 are 0.0076 g/s, a three hundredth of the largest rate."""
    stands, leak = columns["engine speed [rpm]"] < 10, 0.4 / 3.6 / 14.7
    got = findings(fuel_rate=lambda x: np.where(stands, leak, x))
    text = got["disagrees", ("fuel_rate", "engine_speed")].text
    grams = float(re.search(r"stands: ([0-9.]+) g", text)[1])
    assert grams == pytest.approx(0.1 * leak * stands.sum(), rel=0.1)


def test_gears_that_do_not_fit_the_speeds(findings):
    got = findings(gear=lambda x: np.roll(x, 300))
    assert ("disagrees", ("gear", "motor_speed", "speed")) in got
    got = findings("motor_speed", gear=lambda x: 9 - x)
    text = got["disagrees", ("gear", "engine_speed", "speed")].text
    assert "a higher gear turns slower" in text
    got = findings(gear=lambda x: np.where(x == 3, 0, x))
    text = got["disagrees", ("gear", "motor_speed", "speed")].text
    assert "are gears counted from 0?" in text


def test_torque_without_fuel(findings):
    got = findings(fuel_rate=lambda x: np.where(np.arange(x.size) < x.size // 2, 0.0, x))
    text = got["disagrees", ("fuel_rate", "engine_torque", "engine_speed")].text
    assert "fuel_rate is 0 while the engine gives torque" in text


def test_a_battery_of_the_board_net_is_not_taken_for_that_of_the_drive(findings):
    got = findings(battery_voltage=lambda x: 0 * x + 13.8 + 0.1 * np.sin(np.arange(x.size)))
    assert "as the net of the board does" in got["unit", ("battery_voltage",)].text


def test_an_engine_torque_is_frozen_where_the_fuel_of_a_turn_changes(findings, columns):
    """Forty seconds of one torque at 2,000 rpm: twice the fuel says that it changed."""
    stuck, here = slice(1800, 2200), "engine_torque"

    def keep(value):
        def change(x):
            x[stuck] = value
            return x

        return change

    def doubled(x):
        x[stuck] = np.linspace(1.0, 2.0, 400)
        return x

    others = {"engine_torque": keep(80.0), "engine_speed": keep(2000.0)}
    one = findings(**others, fuel_rate=doubled)["frozen", (here,)]
    assert "while the fuel of a turn changes: 180 to 220 s" in one.text
    assert ("frozen", (here,)) not in findings(**others, fuel_rate=keep(1.5))
