"""The readable summary: what it tells, and that it stays readable."""

import dataclasses
import re

import pytest

from hybridopt import Settings, read_cycle, read_driveline, solve_cycle
from hybridopt.base.cautions import CAUTION_LINE
from hybridopt.base.nomenclature import BOUND_TOTALS
from hybridopt.base.nomenclature import SINKS as ALL_SINKS
from hybridopt.base.nomenclature import SOURCES as ALL_SOURCES
from hybridopt.optimum.result import Result
from hybridopt.physics.modes import Mode
from hybridopt.text.summary import ENERGY_IN, ENERGY_OUT, summary

STARTS = [f"start_{name}_kJ" for name in ("rotor", "slip", "friction", "conversion")]


@pytest.fixture(scope="module")
def result():
    settings = Settings(soc_points=101, splits=9)
    return solve_cycle(read_cycle("ece15"), read_driveline("full"), settings)


def with_attrs(result, **attrs):
    return Result(result.dataset.assign_attrs(attrs))


def rows(text):
    """Return name and rest of each line that has both."""
    pairs = (re.split(r"  +", line, maxsplit=1) for line in text.splitlines())
    return {pair[0]: pair[1] for pair in pairs if len(pair) == 2}


def test_totals_are_told(result):
    told = rows(summary(result))
    assert told["Fuel"].startswith(f"{result.fuel_g:.1f} g ")
    assert f"{result.fuel_l_per_100km:.3f} l/100 km" in told["Fuel"]
    assert f"{result.co2_g_per_km:.1f} g CO2/km" in told["Fuel"]
    assert told["State of charge"].startswith("60.00 % -> ")
    assert told["Engine starts"].split()[0] == str(result.starts)
    none = with_attrs(result, starts=0, **dict.fromkeys(STARTS, 0.0))
    assert rows(summary(none))["Engine starts"] == "0"
    assert told["Gear shifts"] == str(result.shifts)
    assert told["Cycle"] == "ece15, 1.018 km in 195 s"


def test_energy_of_the_starts_is_divided(result):
    """Four shares of the energy that the table gives for all starts."""
    told = rows(summary(result))
    shares = [float(share) for share in re.findall(r"[a-z] (\d+)", told["Engine starts"])]
    energy = [result.dataset.attrs[name] for name in STARTS]
    into_starts = float(told["engine starts"].split()[0])
    assert result.starts > 0 and sum(energy) == pytest.approx(into_starts, abs=0.05)
    assert shares == pytest.approx([100 * part / sum(energy) for part in energy], abs=0.5)


def test_stops_are_told_where_there_are_any(result):
    told = rows(summary(result))
    lost = f"(kJ each: rotor {result.run_down_kJ:.2f}, paid in starts)"
    assert result.stops > 0 and told["Engine stops"] == f"{result.stops}   {lost}"
    assert "Engine stops" not in summary(with_attrs(result, stops=0))


def test_every_mode_has_a_share_and_they_add_up(result):
    told = rows(summary(result))
    shares = [float(told[mode.text].split()[0]) for mode in Mode]
    assert sum(shares) == pytest.approx(100.0, abs=0.05 * len(Mode))


def test_every_source_and_sink_is_in_one_row_and_they_add_up(result):
    named = [
        name for group in (ENERGY_IN, ENERGY_OUT) for names in group.values() for name in names
    ]
    wanted = [name.removesuffix("_power") for name in (*ALL_SOURCES, *ALL_SINKS)]
    assert sorted(named) == sorted(wanted)
    told = rows(summary(result))
    into = sum(float(told[name].split()[0]) for name in ENERGY_IN)
    out = sum(float(told[name].split()[0]) for name in ENERGY_OUT)
    assert out == pytest.approx(into, abs=0.05 * (len(ENERGY_IN) + len(ENERGY_OUT)))


def test_it_ends_with_time_and_caution_and_fits_80_columns(result):
    many = {"starts": 12345, "stops": 12345, "start_rotor_kJ": 1.2e5, "distance_km": 12345.678}
    long = with_attrs(result, driveline_title="title " * 40, cycle="c" * 200, **many)
    for text in (summary(result), summary(long)):
        assert max(map(len, text.splitlines())) <= 80
        assert text.isascii()
        assert text.splitlines()[-1] == CAUTION_LINE
        assert "Solved in " in text.splitlines()[-2]


def test_the_bound_appears_when_there_is_one(result):
    without = {k: v for k, v in result.dataset.attrs.items() if k not in BOUND_TOTALS}
    plain = dataclasses.replace(result, dataset=result.dataset.copy())
    plain.dataset.attrs = without
    assert "bound" not in summary(plain)
    told = rows(summary(with_attrs(result, bound_g=26.5, gap_percent=0.25, gap_cause="why")))
    assert told["Proved bound"] == "26.50 g   no schedule costs less; gap 0.250 %"
    assert told["Gap mostly from"] == "why"


def test_the_title_of_the_driveline_is_used_when_there_is_one(result):
    told = rows(summary(with_attrs(result, driveline_title="a car\nof two lines")))
    assert told["Driveline"] == "a car of two lines"


def test_tiny_negative_figures_have_no_sign(result):
    text = summary(with_attrs(result, energy_grade_kJ=-1e-9, energy_stored_kJ=-0.01))
    assert not re.search(r"-0\.0+(?!\d)", text)


def test_shares_of_nothing_are_left_blank(result):
    nothing = with_attrs(result, energy_fuel_kJ=0.0, energy_stored_kJ=0.0)
    assert rows(summary(nothing))["fuel"].split() == ["0.0", "-"]


def test_heat_is_told_where_it_is_looked_at(result):
    peaks = {
        "clutch_peak_C": 203.4,
        "clutch_over_s": 7.0,
        "motor_budget_peak": 0.46,
        "motor_over_s": 0.0,
        "battery_budget_peak": 1.12,
        "battery_over_s": 4.0,
    }
    text = summary(with_attrs(result, **peaks))
    assert rows(text)["Highest heat"] == (
        "clutch 203 C (7 s above limit), motor 46 %, battery 112 % (4 s above limit)"
    )
    blind = Result(result.dataset.copy())
    blind.dataset.attrs = {k: v for k, v in result.dataset.attrs.items() if k not in peaks}
    assert "Highest heat" not in rows(summary(blind))


def test_limits_of_comfort_are_told_where_there_are_any(result):
    assert "Limits of comfort" not in summary(result)
    times = {"lugging_limit_s": 102.4, "no_stop_s": 161.0, "torque_rise_limit_s": 23.0}
    times |= {"torque_rise_passed_s": 4.0, "torque_fall_limit_s": 9.0, "torque_fall_passed_s": 0.0}
    text = summary(with_attrs(result, **times))
    told = text[text.index("Limits of comfort") :].partition("\n\n")[0].split("\n")
    assert told == [
        "Limits of comfort   lugging line met 102 s; torque rise met 23 s (4 s passed);",
        "                    torque fall met 9 s; no stop 161 s",
    ]
    assert max(map(len, told)) <= 80
