"""Parts of a driveline that do not fit each other are refused, with the misfit in words."""

import dataclasses
import math

import pytest
from makers import constant_battery, plain_driveline, varied
from xarray import DataArray

from hybridopt.base.errors import InputError
from hybridopt.inputs.coverage import check_driveline
from hybridopt.inputs.driveline_file import DEMO_FOLDER, driveline_names, read_driveline

RPM = 2 * math.pi / 60
PLAIN = plain_driveline()


def curve(low_rpm, high_rpm, torque):
    return DataArray([torque, torque], {"speed": [low_rpm * RPM, high_rpm * RPM]}, ("speed",))


def table_with(**values):
    """Return the plain battery's table with some of its rows replaced."""
    table = constant_battery().table.copy()
    for name, value in values.items():
        table.loc[{"quantity": name}] = value
    return table


@pytest.mark.parametrize("name", ["", *driveline_names()])
def test_plain_and_shipped_drivelines_pass(name):
    """And one ratio less, which makes each of them wrong, does not."""
    driveline = read_driveline(name) if name else PLAIN
    assert check_driveline(driveline) is None
    ratios = driveline.gearbox.ratios[:-1]
    with pytest.raises(InputError, match="give one entry per gear"):
        check_driveline(varied(driveline, gearbox={"ratios": ratios}))


@pytest.mark.parametrize(
    ("part", "fields", "message"),
    [
        (
            "gearbox",
            {"efficiencies": (0.9, 0.9)},
            r"\[gearbox\] efficiencies: has 2 entries but ratios has 3; give one entry per gear",
        ),
        (
            "gearbox",
            {"drag_torques": (1.0,) * 4},
            r"\[gearbox\] drag_torques_Nm: has 4 entries but",
        ),
        ("gearbox", {"ratios": (1.0, 2.0, 4.0)}, r"\[gearbox\] ratios: is .* from first gear on"),
        ("gearbox", {"ratios": (4.0, 4.0, 1.0)}, "each smaller than the one before"),
        (
            "gearbox",
            {"ratios": (), "efficiencies": (), "drag_torques": ()},
            "ratios: is .*; list 1 to 20 ratios",
        ),
        (
            "engine",
            {"max_speed": 800 * RPM},
            r"\[engine\] max_speed_rpm: is 800; it must be above idle_speed_rpm, 800",
        ),
        (
            "engine",
            {"max_speed": 6500 * RPM},
            r"\[engine\] fuel_map: covers 50 to 6000 rpm, but 800 to 6500 rpm are used; extend it",
        ),
        (
            "engine",
            {"full_load": curve(900, 6000, 100.0)},
            r"\[engine\] full_load: covers 900 to 6000 rpm, but 800 to 6000 rpm are used",
        ),
        ("engine", {"overrun": curve(800, 5000, -20.0)}, r"\[engine\] overrun: covers 800 to 5000"),
        (
            "engine",
            {"fuel_map": PLAIN.engine.fuel_map.isel(torque=slice(1, None))},
            r"\[engine\] fuel_map: begins at 100 Nm; begin at 0 Nm",
        ),
        (
            "engine",
            {"full_load": curve(800, 6000, 201.0)},
            r"\[engine\] fuel_map: reaches 200 Nm but the torque limit is 201 Nm; extend the map",
        ),
        (
            "engine",
            {"fuel_map": PLAIN.engine.fuel_map - 1.0},
            r"\[engine\] fuel_map: holds 0\.\d+ of the wrong sign; a fuel rate is 0 or more",
        ),
        ("engine", {"full_load": curve(800, 6000, -1.0)}, "full_load: holds 1 of the wrong sign"),
        (
            "engine",
            {"overrun": curve(800, 6000, 20.0)},
            r"overrun: holds 20 of the wrong sign; an overrun torque is 0 or less",
        ),
        ("motor", {"max_speed": 8000 * RPM}, r"\[motor\] loss_map: covers 0 to 7000 rpm, but 0 to"),
        ("motor", {"peak_torque": curve(1, 7000, 100.0)}, "peak_torque: covers 1 to 7000 rpm"),
        ("motor", {"drag_torque": curve(0, 6000, 1.0)}, r"\[motor\] drag_torque: covers 0 to 6000"),
        ("motor", {"drag_torque": curve(0, 7000, -2.0)}, "drag_torque: holds 2 of the wrong sign"),
        ("motor", {"loss_map": PLAIN.motor.loss_map - 5e3}, "loss_map: holds 4900 of the wrong"),
        (
            "motor",
            {"peak_torque": curve(0, 7000, 161.0)},
            r"\[motor\] loss_map: reaches 160 Nm but the torque limit is 161 Nm; extend the map",
        ),
        (
            "motor",
            {"loss_map": PLAIN.motor.loss_map.sel(torque=slice(-100, None))},
            "loss_map: reaches .* Nm but the torque limit is 160 Nm",
        ),
        (
            "battery",
            {"soc_min": 0.8},
            r"soc_min_percent: the SoC window 80 to 80 % is empty; soc_m",
        ),
        ("battery", {"soc_start": 0.1}, "soc_start_percent: 10 lies outside the window 20 to 80 %"),
        ("battery", {"soc_start": 0.9}, "soc_start_percent: 90 lies outside the window 20 to 80 %"),
        (
            "battery",
            {"table": constant_battery().table.isel(soc=slice(1, None))},
            r"\[battery\] table: covers 50 to 100 % SoC, not the window 20 to 80 %; extend it",
        ),
        (
            "battery",
            {"table": table_with(power_charge_max=-40e3)},
            r"\[battery\] table: holds 40000 of the wrong sign; its values are 0 or more",
        ),
        (
            "battery",
            {"table": table_with(open_circuit_voltage=0.0)},
            r"\[battery\] table: the open-circuit voltage at 0 % SoC is 0 V; an open-circuit",
        ),
        (
            "clutches",
            {"launch_speed": 799 * RPM},
            "launch_speed_rpm: is 799; it must not be below the engine's",
        ),
        (
            "clutches",
            {"launch_speed": 6001 * RPM},
            "launch_speed_rpm: is 6001; it must not be above max_speed_r",
        ),
        (
            "clutches",
            {"fade_speed_low": 5.0, "fade_speed_high": 2.5},
            "fade_speed_high_km_per_h: 9 is below fade_speed_low_km_per_h 18; swap them",
        ),
    ],
)
def test_misfits_are_refused(part, fields, message):
    with pytest.raises(InputError, match=message):
        check_driveline(varied(PLAIN, **{part: fields}))


def test_motor_must_reach_the_launch_speed():
    slow = varied(PLAIN, motor={"max_speed": 1400 * RPM}, clutches={"launch_speed": 1500 * RPM})
    with pytest.raises(
        InputError, match="launch_speed_rpm: is 1500; it must not be above max_speed_rpm of"
    ):
        check_driveline(slow)


def test_maps_that_just_cover_pass():
    engine = {"full_load": curve(800, 6000, 200.0), "overrun": curve(800, 6000, 0.0)}
    check_driveline(varied(PLAIN, engine=engine))
    one = dataclasses.replace(
        PLAIN.gearbox, ratios=(2.0,), efficiencies=(0.9,), drag_torques=(0.0,)
    )
    check_driveline(dataclasses.replace(PLAIN, gearbox=one))


def test_misfit_names_the_file(tmp_path):
    path = tmp_path / "car.toml"
    path.write_text('base = "full"\n[engine]\nmax_speed_rpm = 7000\n')
    with pytest.raises(InputError) as caught:
        read_driveline(path)
    assert str(caught.value).startswith(f"{path}: [engine] fuel_map: covers 800 to 6200 rpm")
    assert path.parent != DEMO_FOLDER
