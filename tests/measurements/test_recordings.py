"""Logs with channels of the powertrain: columns, units, time base, gaps; figures in closed form."""

import math

import numpy as np
import pytest
from log_makers import speed_at, stamps

from hybridopt import InputError
from hybridopt.measurements.channels import POWERTRAIN, ColumnRequest, read_option
from hybridopt.measurements.recording import CHANNELS
from hybridopt.measurements.recording_import import read_recording
from hybridopt.measurements.units import SI, UNITS, find_unit, stated_unit


def table(columns, delimiter=","):
    """Return a text log of columns of values or words by header."""
    cells = [
        [c if isinstance(c, str) else f"{c:.6g}" for c in column] for column in columns.values()
    ]
    rows = [delimiter.join(row) for row in zip(*cells, strict=True)]
    return "\n".join([delimiter.join(columns), *rows]) + "\n"


def drive(rate=10.0):
    """Return time and speed columns of a smooth drive in closed form."""
    time = stamps(rate)
    return {"time [s]": time, "vehicle speed [km/h]": 3.6 * speed_at(time)}


@pytest.fixture
def recorded(write):
    """Return a function that writes a log of columns and reads it."""

    def recorded(columns, channels=(), **options):
        given = dict(read_option(text, (*SI,)) for text in channels)
        path = write(columns if isinstance(columns, str) else table(columns))
        return read_recording(path, {k: (v, "option") for k, v in given.items()}, **options)

    return recorded


def test_every_channel_has_units_and_words():
    assert set(CHANNELS) == set(UNITS) - {"time"} == {"speed", "altitude", "grade", *POWERTRAIN}


@pytest.mark.parametrize(
    ("signal", "unit", "value", "si"),
    [
        ("engine_speed", "rpm", 30.0, math.pi),
        ("engine_speed", "1/min", 30.0, math.pi),
        ("engine_speed", "rad/s", 7.0, 7.0),
        ("motor_torque", "lb ft", 100.0, 135.58179),
        ("fuel_rate", "kg/h", 3.6, 1.0),
        ("fuel_rate", "mg/s", 250.0, 0.25),
        ("motor_power", "kW", 1.5, 1500.0),
        ("battery_voltage", "mV", 1500.0, 1.5),
        ("soc", "%", 45.0, 0.45),
        ("coolant_temperature", "degF", 212.0, 100.0),
        ("coolant_temperature", "K", 373.15, 100.0),
        ("brake", "bar", 50.0, 0.5),
        ("battery_current", "-A", 20.0, -20.0),
        ("engine_torque", "2.5*Nm", 40.0, 100.0),
        ("motor_power", "-0.1*kW", 10.0, -1000.0),
    ],
)
def test_units(signal, unit, value, si):
    """Pound foot 1.3558179 N m, freezing point 32 degF and 273.15 K by definition."""
    assert stated_unit(signal, unit).to_si(value) == pytest.approx(si)


@pytest.mark.parametrize("unit", ["Nm*2", "x*A", "0*A", "1e99*A", "--A", "1..2*A", ""])
def test_units_that_are_none(unit):
    assert stated_unit("battery_current", unit) is None
    assert find_unit("battery_current", "-A") is None


def test_usual_names_rasters_and_values(recorded):
    time = stamps()
    columns = drive() | {
        "Engine RPM [1/min]": 900 + 10 * time,
        "EngineTorque (Nm)": 50 + time / 10,
        "fuel rate g/s": 0.5 + 0 * time,
        "fuel_consumption [l/100km]": 5 + 0 * time,
        "gear": np.where(time < 100.05, 2.0, 3.0),
        "HV battery voltage [V]": 250 - time / 100,
        "BattCurr_A": 10 + 0 * time,
        "SOC [%]": 60 - time / 60,
        "motor speed [rpm]": 600 + 0 * time,
        "coolant temp [degC]": 80 + 0 * time,
    }
    recording = recorded(columns)
    assert set(recording.channels) == {
        "speed", "engine_speed", "engine_torque", "gear", "battery_voltage", "battery_current",
        "soc", "motor_speed", "coolant_temperature", "fuel_rate",
    }  # fmt: skip
    assert recording.time[1] == pytest.approx(0.1)
    assert recording.time[-1] == pytest.approx(recording.cycle.duration)
    for name, wanted in {
        "engine_speed": (900 + 10 * recording.time) * math.pi / 30,
        "soc": 0.6 - recording.time / 6000,
        "gear": np.where(recording.time < 100.05, 2, 3),
        "battery_voltage": 250 - recording.time / 100,
    }.items():
        assert recording.channels[name] == pytest.approx(wanted, abs=2e-3 * np.abs(wanted).max())
    assert recording.channels["speed"] == pytest.approx(speed_at(recording.time), abs=0.14)
    assert recording.choices["battery_current"].unit.sign == "A"
    assert recording.choices["gear"].by == "usual name"


def test_a_unit_that_is_not_stated_is_asked_for(recorded):
    columns = drive() | {"engine speed": 900 + stamps(), "SOC": 60 + 0 * stamps()}
    recording = recorded(columns)
    assert set(recording.channels) == {"speed"}
    texts = {one.channels: one.text for one in recording.findings if one.kind == "left_out"}
    assert (
        "column engine speed has no unit; say it with --channel engine_speed=engine speed:rpm"
        in (texts["engine_speed",])
    )
    assert "has no unit" in texts["soc",]
    with pytest.raises(InputError, match="channel engine_speed: column engine speed has no unit"):
        recorded(columns, ["engine_speed=engine speed"])
    stated = recorded(columns, ["engine_speed=engine speed:rpm", "soc=none"])
    assert set(stated.channels) == {"speed", "engine_speed"}


def test_fuel_as_volume_needs_its_density(recorded):
    columns = drive() | {"fuel rate [l/h]": 3.6 + 0 * stamps()}
    assert "state the density" in recorded(columns).findings[0].text
    recording = recorded(columns, fuel_density=750.0)
    assert recording.channels["fuel_rate"] == pytest.approx(0.75)


def test_fuel_from_air_and_lambda(recorded):
    """m_fuel = m_air / (lambda 14.7)."""
    columns = drive() | {"MAF [g/s]": 14.7 + 0 * stamps()}
    assert not recorded(columns).has("fuel_rate")
    recording = recorded(columns | {"lambda": 2 + 0 * stamps()})
    assert recording.channels["fuel_rate"] == pytest.approx(0.5)
    assert recording.findings[0].kind == "derived"


def test_words_of_gears_and_switches(recorded):
    words = ["P", "N", "R", "D1", "2nd", "M3", "D", "6"]
    time = np.arange(0.0, 240.1, 1.0)
    columns = {
        "time [s]": time,
        "speed [km/h]": 3.6 * speed_at(time),
        "gear": [words[int(t) % 8] for t in time],
        "brake switch": [("off", "ON")[int(t) % 2] for t in time],
    }
    recording = recorded(columns)
    wanted = [0, 0, np.nan, 1, 2, 3, np.nan, 6]
    assert recording.channels["brake"][:4].tolist() == [0, 1, 0, 1]
    assert recording.channels["gear"][:8] == pytest.approx(wanted, nan_ok=True)


def test_blank_gears_are_held_and_codes_of_a_lever_are_none(recorded):
    time = np.arange(0.0, 240.1, 1.0)
    cells = ["3", "", "255", "", "4", "-1", "2.5", "5"]
    columns = {
        "time [s]": time,
        "speed [km/h]": 3.6 * speed_at(time),
        "gear": [cells[int(t) % 8] for t in time],
    }
    got = recorded(columns).channels["gear"][:8]
    nan = np.nan
    assert got == pytest.approx([3, 3, nan, nan, 4, nan, nan, 5], nan_ok=True)


def test_gaps_stay_gaps(recorded):
    """Blank cells from 100 to 120 s: nothing is drawn across them."""
    time = stamps()
    current = [" " if 100 < t < 120 else f"{t:.1f}" for t in time]
    recording = recorded(drive() | {"battery current [A]": current})
    values = recording.channels["battery_current"]
    blank = np.isnan(values)
    assert recording.time[blank].min() == pytest.approx(100.1, abs=0.11)
    assert recording.time[blank].max() == pytest.approx(119.9, abs=0.11)
    assert values[~blank] == pytest.approx(recording.time[~blank], abs=0.06)


def test_the_chosen_part_is_that_of_the_cycle(recorded):
    from hybridopt.measurements.drive import Cleaning

    time = stamps()
    columns = drive() | {"engine speed [rpm]": time}
    kept = (time < 70) | (time > 130)
    columns = {name: np.asarray(column)[kept] for name, column in columns.items()}
    recording = recorded(columns, cleaning=Cleaning(part="2"))
    wanted = (130.1 + recording.time) * math.pi / 30
    assert recording.channels["engine_speed"] == pytest.approx(wanted, rel=1e-3)


def test_fast_channels_are_averaged_on_a_coarser_base(recorded):
    """A swing of 5 Hz around 100 N m logged at 100 Hz vanishes in means of 0.2 s: sin over its
    period integrates to 0."""
    time = stamps(100)
    torque = 100 + 50 * np.sin(2 * np.pi * 5 * time)
    recording = recorded(drive(100) | {"engine torque [Nm]": torque}, step=0.2)
    assert recording.channels["engine_torque"][1:-1] == pytest.approx(100, abs=0.1)


def test_values_out_of_range_are_refused(recorded):
    for option in ({"step": 0.0}, {"fuel_density": 0.1}, {"air_need": 500.0}):
        with pytest.raises(InputError, match=f"recording: {next(iter(option))} is"):
            recorded(drive(), **option)


def test_an_unreadable_column_is_left_out_unless_it_was_named(recorded):
    columns = drive() | {"engine speed [rpm]": ["abc"] * stamps().size}
    recording = recorded(columns)
    assert "engine_speed" not in recording.channels
    assert "cells of that column are no numbers" in recording.findings[0].text
    with pytest.raises(InputError, match="cells of that column are no numbers"):
        recorded(columns, ["engine_speed=engine speed [rpm]"])


def test_a_scanner_has_its_units_by_standard(recorded):
    """ISO 15031-5: engine speed in rpm, coolant in degC, air in g/s."""
    time = stamps(1)
    columns = {
        "time [s]": time,
        "VEHICLE_SPEED": [f"{v:.0f}" for v in 3.6 * speed_at(time)],
        "ENGINE_RPM": 1500 + 0 * time,
        "COOLANT_TEMPERATURE": 90 + 0 * time,
        "MAF": 5 + 0 * time,
        "THROTTLE": 20 + 0 * time,
    }
    recording = recorded(columns)
    assert recording.channels["engine_speed"] == pytest.approx(50 * math.pi)
    assert recording.channels["air_flow"] == pytest.approx(5.0)
    assert recording.choices["air_flow"].by == "usual name, unit by ISO 15031-5"
    assert ColumnRequest("x") == ColumnRequest("x", "")
