"""Keys of drivelines that may be left out, exclude each other or moved, and their defaults."""

import math
import re

import numpy as np
import pytest

from hybridopt import InputWarning, Settings
from hybridopt.base.errors import InputError
from hybridopt.inputs.comfort import Comfort
from hybridopt.inputs.driveline import Functions
from hybridopt.inputs.driveline_file import DEMO_FOLDER, read_driveline

RPM = 2 * math.pi / 60
CURVE = "speed_rpm,torque_Nm\n0,30\n6500,60\n"


@pytest.fixture
def read(tmp_path):
    """Return a function that reads a driveline of these lines on the full hybrid."""
    (tmp_path / "curve.csv").write_text(CURVE)

    def read(text, base="full", name="car.toml", changes=()):
        path = tmp_path / name
        path.write_text(f'base = "{base}"\n{text}\n')
        return read_driveline(path, dict(changes))

    return read


def refusal(read, text, **more):
    with pytest.raises(InputError) as caught:
        read(text, **more)
    return str(caught.value)


# --- functions ---


def test_functions_are_all_on_unless_switched_off(read):
    assert vars(read_driveline("full").functions) == dict.fromkeys(vars(Functions()), True)
    car = read("[functions]\ncan_boost = false")
    assert not car.functions.can_boost and car.functions.can_coast
    for name in ("mild", "micro"):
        off = [key for key, on in vars(read_driveline(name).functions).items() if not on]
        assert off == ["can_drive_electric"]


def test_table_of_functions_may_be_left_out(tmp_path):
    """A file of its own that says nothing about functions has them all."""
    path = tmp_path / "own.toml"
    path.write_text(read_text())
    assert vars(read_driveline(path).functions) == vars(Functions())


def read_text():
    """Return the full hybrid without its table of functions, maps named by whole paths."""
    text = (DEMO_FOLDER / "full.toml").read_text().partition("[functions]")[0]
    return text.replace('_csv = "', f'_csv = "{DEMO_FOLDER}/')


def test_old_place_of_a_function_says_where_it_went(read):
    said = refusal(read, "[clutches]\ncan_drive_electric = false")
    assert said.endswith(
        "car.toml: [clutches] can_drive_electric: has moved; write it in table [functions]"
    )
    said = refusal(read, "", changes={"clutches.can_drive_electric": False})
    assert "has moved; write it in table [functions]" in said


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[functions]\ncan_fly = true", "[functions] can_fly: is not known here; "),
        ("[functions]\ncan_boost = 1", "[functions] can_boost: is 1; write true or false"),
        ("[vehicle]\ndriven_axles = 'both'", "is 'both'; write one of 'front', 'rear', 'all'"),
        ("[vehicle]\ndriven_axles = 2", "driven_axles: is 2; write one of"),
        ("[vehicle]\ndriven_axles = 'front'", "front_brake_share: is missing; with one driven"),
        ("[vehicle]\nfront_brake_share = 0.7", "driven_axles: is missing; front_brake_share says"),
        ("[vehicle]\nfront_brake_share = 1.7", "front_brake_share: is 1.7; allowed is 0 to 1"),
        ("[battery]\nderating = 1.1", "derating: is 1.1; allowed is 0 to 1"),
        ("[clutches]\noil_pump_power_W = -1", "oil_pump_power_W: is -1; allowed is 0 to 2000"),
        (
            "[clutches]\npump_speed_rpm = 700\nfull_pressure_speed_rpm = 600",
            "full_pressure_speed_rpm: 600 is below pump_speed_rpm 700; the pump's",
        ),
        (
            "[start]\ntorque_reserve_Nm = 3\ntorque_reserve_csv = 'curve.csv'",
            "[start] torque_reserve_csv: is given beside torque_reserve_Nm; leave one of them out",
        ),
        (
            "[motor]\ncontinuous_torque_Nm = 3\ncontinuous_torque_csv = 'curve.csv'",
            "continuous_torque_csv: is given beside continuous_torque_Nm; leave one",
        ),
        ("[start]\ntorque_reserve_csv = 'none.csv'", "the file 'none.csv' does not exist beside"),
        ("[motor]\nmax_speed_rpm = 6501", "loss_map: covers 0 to 6500 rpm"),
    ],
)
def test_wrong_keys_are_refused(read, text, message):
    assert message in refusal(read, text)


@pytest.mark.parametrize(
    ("key", "table"), [("continuous_torque", "motor"), ("torque_reserve", "start")]
)
def test_short_or_negative_curves_are_refused(read, tmp_path, key, table):
    (tmp_path / "short.csv").write_text("speed_rpm,torque_Nm\n0,30\n6000,60\n")
    (tmp_path / "minus.csv").write_text("speed_rpm,torque_Nm\n0,30\n6500,-60\n")
    said = refusal(read, f"[{table}]\n{key}_csv = 'short.csv'")
    assert f"[{table}] {key}: covers 0 to 6000 rpm, but 0 to 6500 rpm are used" in said
    said = refusal(read, f"[{table}]\n{key}_csv = 'minus.csv'")
    assert f"[{table}] {key}: holds 60 of the wrong sign" in said


# --- constant or curve ---


def test_curve_takes_the_place_of_a_constant_of_the_base(read):
    car = read("[start]\ntorque_reserve_csv = 'curve.csv'")
    assert car.start.reserve_curve.values.tolist() == [30, 60] and car.start.torque_reserve == 0
    back = read("[start]\ntorque_reserve_Nm = 12", base="car.toml", name="next.toml")
    assert back.start.reserve_curve is None and back.start.torque_reserve == 12


def test_continuous_torque_of_figure_curve_or_peak(read):
    """The constant counts at any speed; the base's curve is gone."""
    constant = read("[motor]\ncontinuous_torque_Nm = 80").motor
    assert constant.sustained_torque.values.tolist() == [80, 80]
    curve = read("[motor]\ncontinuous_torque_csv = 'curve.csv'").motor
    assert curve.sustained_torque.interp(speed=3250 * RPM).item() == pytest.approx(45)
    plain = read(
        "[motor]\nmodel = 'polynomial'\nloss_constant_W = 1\nloss_W_per_rpm = 0.1\n"
        "loss_W_per_Nm2 = 0.1\nmax_torque_Nm = 70\nmax_power_kW = 20"
    ).motor
    assert plain.sustained_torque.identical(plain.peak_torque)


def test_changed_constant_takes_the_place_of_a_curve(read):
    car = read("", changes={"motor.continuous_torque_Nm": 33})
    assert car.motor.continuous_torque is None and car.motor.continuous_limit == 33


def test_reserve_is_needed_unless_there_is_a_starter(tmp_path):
    path, text = tmp_path / "car.toml", read_text()
    line = "torque_reserve_Nm = 45\n"
    assert line in text
    path.write_text(text.replace(line, ""))
    with pytest.raises(InputError, match=r"\[start\] torque_reserve_Nm: is missing; add it with"):
        read_driveline(path)
    path.write_text(text.replace(line, "starter = true\n"))
    assert read_driveline(path).start.starter


# --- shares and efficiencies ---


@pytest.mark.parametrize(
    ("text", "share"),
    [
        ("", 0.85),
        ("driven_axles = 'front'\nfront_brake_share = 0.6", 0.85 * 0.6),
        ("driven_axles = 'rear'\nfront_brake_share = 0.6", 0.85 * 0.4),
        ("driven_axles = 'all'\nfront_brake_share = 0.6", 0.85),
        ("driven_axles = 'all'", 0.85),
    ],
)
def test_driven_axles_share_the_braking(read, text, share):
    """The full hybrid recuperates 85 % of what its driven axles brake."""
    assert read(f"[vehicle]\n{text}").vehicle.recuperated_share == pytest.approx(share)


def test_transfer_case_multiplies_every_gear(read):
    gearbox = read("[gearbox]\ntransfer_efficiency = 0.97").gearbox
    assert gearbox.total_efficiencies == pytest.approx(0.97 * np.array(gearbox.efficiencies))
    assert read_driveline("full").gearbox.total_efficiencies == gearbox.efficiencies


@pytest.mark.parametrize(("text", "opens"), [("", False), ("opens_when_coasting = true", True)])
def test_launch_clutch_opens_when_coasting_if_said(read, text, opens):
    assert read(f"[clutches]\n{text}").clutches.opens is opens
    assert read_driveline("micro").clutches.opens  # no separating clutch


# --- comfort ---


def test_limits_of_comfort_are_read_and_absent_without_the_table(read):
    assert vars(read_driveline("full").comfort) == vars(Comfort())
    car = read(
        '[comfort]\nlugging_torque_csv = "curve.csv"\ntorque_rise_Nm_per_s = 80\n'
        "no_start_km_per_h = [[18, 36], [72, 90]]\nno_stop_km_per_h = [[0.0, 3.6]]\n"
        "min_gear_time_s = 2\nmin_reversal_time_s = 4"
    ).comfort
    np.testing.assert_allclose(car.lugging_torque.values, [30, 60])
    np.testing.assert_allclose(car.no_start, [(5, 10), (20, 25)], rtol=1e-12)
    np.testing.assert_allclose(car.no_stop, [(0, 1)], rtol=1e-12)
    assert (car.torque_rise, car.torque_fall, car.min_reversal_time) == (80, None, 4)


def test_the_longer_minimum_time_counts_and_a_rate_of_the_settings_first(read):
    car = read("[comfort]\nmin_on_time_s = 3\nmin_off_time_s = 3\ntorque_rise_Nm_per_s = 80")
    settings = Settings(min_off_time=5.0, torque_fall=30.0).resolved(car)
    assert (settings.min_on_time, settings.min_off_time, settings.min_gear_time) == (3, 5, 0)
    assert (settings.torque_rise, settings.torque_fall) == (80, 30)
    assert Settings(torque_rise=20.0).resolved(car).torque_rise == 20
    assert settings.resolved(car) == settings


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("no_start_km_per_h = [18, 36]", r"list of ranges, \[\[from, to\], ...\]"),
        ("no_start_km_per_h = 18", "list of ranges"),
        ("no_stop_km_per_h = [[36, 18]]", "its end must be above its start"),
        ("no_stop_km_per_h = [[0, 900]]", "allowed is 0 to 500"),
        ('no_stop_km_per_h = [["a", 900]]', "write a finite number"),
        ("torque_rise_Nm_per_s = 0", "allowed is 1 to 100000"),
        ("min_revers_time_s = 2", "did you mean min_reversal_time_s"),
        ('lugging_torque_csv = "none.csv"', "does not exist beside it"),
        ('lugging_torque_csv = "below.csv"', "a lugging torque is 0 or more"),
    ],
)
def test_what_limits_of_comfort_cannot_be(read, tmp_path, text, says):
    (tmp_path / "below.csv").write_text("speed_rpm,torque_Nm\n800,-5\n1500,60\n")
    found = refusal(read, f"[comfort]\n{text}")
    assert "[comfort]" in found and re.search(says, found)


def test_a_lugging_line_above_full_load_is_warned_of(read, tmp_path):
    """10 times the torque: a slip of units, or a line that limits nothing."""
    (tmp_path / "high.csv").write_text("speed_rpm,torque_Nm\n800,600\n1500,2000\n")
    with pytest.warns(InputWarning, match="nowhere below full load"):
        read('[comfort]\nlugging_torque_csv = "high.csv"')
