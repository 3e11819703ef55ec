"""Slips of units that pass for a driveline: refused where physics forbids them, else warned of.

Figures of real machines come from outside: published least consumptions of measured engines, the
first law, the masses of atoms.
"""

import dataclasses
import shutil
import warnings

import numpy as np
import pytest
from makers import plain_driveline

from hybridopt import InputError, InputWarning, read_driveline
from hybridopt.base.units import G_PER_KWH, PERCENT
from hybridopt.inputs.driveline_file import DEMO_FOLDER, driveline_names
from hybridopt.inputs.plausibility import (
    CO2_PER_FUEL,
    VOLTAGE_DROP,
    best_point,
    consumption_span,
    deepest_fall,
)

FUEL, LOSS, BATTERY = "petrol_1600_fuel_map.csv", "motor_60kW_loss_map.csv", "battery_1700Wh.csv"


@pytest.fixture
def slip(tmp_path):
    """Return a function that reads the demo vehicle with one slip: its warnings, or the refusal."""
    folder = shutil.copytree(DEMO_FOLDER, tmp_path / "car")

    def read(file, change):
        path = folder / file
        path.write_text(change(path.read_text()))
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            try:
                read_driveline(folder / "full.toml")
            except InputError as error:
                return "refused", list(error.sentences)
        assert {one.category for one in caught} <= {InputWarning}
        return "warned", [str(one.message) for one in caught]

    return read


def column(name, change):
    """Return the change of a CSV text in which a column's values become change(row)."""

    def changed(text):
        head, *rows = [line for line in text.splitlines() if not line.startswith("#")]
        names = head.split(",")
        at = names.index(name)
        table = [[float(cell) for cell in row.split(",")] for row in rows]
        for row in table:
            row[at] = change(dict(zip(names, row, strict=True)))
        return "\n".join([head, *(",".join(f"{x:.12g}" for x in row) for row in table)]) + "\n"

    return changed


def times(name, factor):
    return column(name, lambda row: row[name] * factor)


def figure(key, value):
    """Return the change of a TOML text in which a key gets another value."""

    def changed(text):
        lines = [f"{key} = {value}" if line.startswith(key) else line for line in text.splitlines()]
        assert lines != text.splitlines()
        return "\n".join(lines) + "\n"

    return changed


def consumption(row):
    power = row["speed_rpm"] * np.pi / 30.0 * row["torque_Nm"] / 3.6e6
    return min(row["fuel_g_per_s"] / power, 900.0) if power else 900.0


def reverse(text):
    top = max(float(line.split(",")[1]) for line in text.splitlines() if line[:1].isdigit())
    return column("torque_Nm", lambda row: top - row["torque_Nm"])(text)


SLIPS = {
    "fuel map times 0.1": (
        FUEL,
        times("fuel_g_per_s", 0.1),
        "refused",
        "gives 377 % of the fuel's",
    ),
    "all fuel 0": (FUEL, times("fuel_g_per_s", 0.0), "refused", "kW from no fuel"),
    "torque axis reversed": (FUEL, reverse, "refused", "% of the fuel's heating power"),
    "kg/h under g/s": (
        FUEL,
        times("fuel_g_per_s", 3.6),
        "warned",
        "as fuel_kg_per_h they would be",
    ),
    "specific consumption under g/s": (
        FUEL,
        column("fuel_g_per_s", consumption),
        "warned",
        "they look like bsfc_g_per_kWh",
    ),
    "motor loss times 0.001": (
        LOSS,
        times("loss_W", 1e-3),
        "warned",
        "the best efficiency is 99.99",
    ),
    "motor loss times 1000": (LOSS, times("loss_W", 1e3), "warned", "have 60 to 99 %"),
    "milliohm under ohm": (
        BATTERY,
        times("resistance_discharge_ohm", 1e3),
        "warned",
        "kW at most, where the limit is",
    ),
    "milliohm under ohm, charging": (
        BATTERY,
        times("resistance_charge_ohm", 1e3),
        "warned",
        "resistance_charge_ohm",
    ),
    "resistance times 0.0001": (
        BATTERY,
        times("resistance_discharge_ohm", 1e-4),
        "warned",
        "less than any battery",
    ),
    "W under kW": (BATTERY, times("power_discharge_max_kW", 1e3), "warned", "the power in kW"),
    "8,000 Ah": ("full.toml", figure("capacity_Ah", 8000), "warned", "2149 kWh, 1.26 kWh per kg"),
    "no drag": ("full.toml", figure("drag_area_m2", 0), "warned", "vehicles have 0.1 to 15 m2"),
    "no rolling resistance": ("full.toml", figure("rolling_resistance", 0), "warned", "tyres on a"),
    "kg of CO2": ("full.toml", figure("co2_g_per_l", 2.33), "warned", "0.00313 g of CO2 per g"),
    "CO2 of more than carbon": ("full.toml", figure("co2_g_per_l", 2800), "refused", "gives 3.66"),
    "kJ/g of half a fuel": (
        "full.toml",
        figure("heating_value_MJ_per_kg", 15),
        "refused",
        "gives 108 % of the fuel's heating power",
    ),
}


@pytest.mark.parametrize("name", SLIPS)
def test_slips_are_told_with_file_and_figure(slip, name):
    file, change, kind, words = SLIPS[name]
    told, sentences = slip(file, change)
    assert told == kind
    assert any(words in one for one in sentences), sentences
    assert all("full.toml: [" in one and one.count("\n") == 0 for one in sentences)


@pytest.mark.parametrize("name", driveline_names())
def test_demo_drivelines_warn_of_nothing(name):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        read_driveline(name)


def test_measured_engines_are_plausible():
    """Least consumptions of three measured engines, g/kWh: 210.2, 223.0 and 201.1.

    Source: US Environmental Protection Agency, engine benchmarking map packages of a 2018 petrol
    2.5 l, a 2016 turbo petrol 1.5 l and a 2015 diesel 3.0 l engine.
    """
    for heating_value, least in ((43_000.0, 210.2), (43_000.0, 223.0), (42_700.0, 201.1)):
        assert consumption_span(heating_value).holds(least * G_PER_KWH)
        assert consumption_span(None).holds(least * G_PER_KWH)
    assert not consumption_span(43_000.0).holds(58.0 * G_PER_KWH)  # 144 % of the fuel
    low, high = consumption_span(42_900.0)
    assert low / G_PER_KWH == pytest.approx(3600 / (0.5 * 42.9))  # b = 3600 / (eta H)
    assert high / G_PER_KWH == pytest.approx(3600 / (0.15 * 42.9))


def test_best_point_of_a_willans_engine():
    """eta = e T / (T + T_f) at any speed: 0.4 * 200 / 220 at full load."""
    best = best_point(plain_driveline().engine, 42_000.0)
    assert best.efficiency == pytest.approx(0.4 * 200 / 220, rel=1e-12)
    assert best.torque == 200.0
    assert best.consumption / G_PER_KWH == pytest.approx(3600 / (best.efficiency * 42.0))


def test_what_lies_above_full_load_is_not_looked_at():
    """Maps are often padded with zeros there."""
    engine = plain_driveline().engine
    padded = engine.fuel_map.reindex(torque=[0.0, 100.0, 200.0, 300.0], fill_value=0.0)
    engine = dataclasses.replace(engine, fuel_map=padded)
    assert best_point(engine, 42_000.0).torque == 200.0
    assert deepest_fall(engine)[0] == 0.0


def test_limits_that_are_closed_forms():
    """CO2 of pure carbon 44.01 / 12.011; P = (U - R I) I is at most U^2 / 4 R."""
    assert CO2_PER_FUEL.high == pytest.approx(3.664, abs=5e-4)
    current = np.linspace(0.0, 300.0, 100_001)
    most = ((200.0 - current) * current).max()  # of 200 V behind 1 ohm
    assert VOLTAGE_DROP.high == pytest.approx(1.0 * most / 200.0**2, rel=1e-9)


def test_figure_at_the_limit_of_a_battery(slip):
    """Milliohm under ohm: U^2 / 4 R with the table's own figures."""
    _, (text, *_) = slip(BATTERY, times("resistance_discharge_ohm", 1e3))
    table = read_driveline("full").battery.table
    soc = table["soc"].values
    inside = table.isel(soc=np.flatnonzero((soc >= 0.4) & (soc <= 0.8)))
    rows = {name: inside.sel(quantity=name).values for name in inside["quantity"].values}
    ohm = 1e3 * rows["resistance_discharge"]
    most = rows["open_circuit_voltage"] ** 2 / (4.0 * ohm)
    at = int(np.argmin(most / rows["power_discharge_max"]))
    assert f"{ohm[at]:.3g} at {inside['soc'].values[at] / PERCENT:.0f} % SoC" in text
    assert f"lets pass {most[at] / 1e3:.3g} kW at most" in text
