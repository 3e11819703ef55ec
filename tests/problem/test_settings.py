"""Every setting has a range, and its refusal names the setting, the value and the range."""

import dataclasses
import math

import numpy as np
import pytest

from hybridopt import Cycle, Settings, read_cycle, read_driveline
from hybridopt.base.errors import InputError
from hybridopt.problem.declaring import guide_rows
from hybridopt.problem.memory import Memory
from hybridopt.problem.settings import SETTINGS, SKIPPING, TERMINALS
from hybridopt.problem.size import fewer_points, plan_memory, settled

NAN = float("nan")
SHARE, SPEED = "0 to 1 (0 to 100 %)", "0 to 100 m/s (0 to 360 km/h)"
# setting, values to refuse, range in the message, values at the ends of the range
RANGES = [
    ("soc_points", [1, 0, -5, 1_000_002], "2 to 1000001", [2, 1_000_001]),
    ("splits", [2, -1, 10_002], "3 to 10001", [3, 10_001]),
    ("soc_min", [-0.01, 1.01, 40.0, NAN], SHARE, [0.0, 1.0]),
    ("soc_max", [-0.01, 1.01, 80.0, NAN], SHARE, [0.0, 1.0]),
    ("soc_start", [-0.01, 1.01, 60.0, NAN], SHARE, [0.0, 1.0]),
    ("soc_target", [-0.01, 1.01, 60.0, NAN], SHARE, [0.0, 1.0]),
    ("terminal", ["", "Sustain", "hold"], "sustain or target or deplete or free", [*TERMINALS]),
    ("start_cost", [-0.1, 1e7, NAN], "0 to 1000000 g of fuel", [0.0, 1e6]),
    ("shift_cost", [-0.1, 1e7, NAN], "0 to 1000000 g of fuel", [0.0, 1e6]),
    ("min_on_time", [-1.0, 3601.0, NAN], "0 to 3600 s", [0.0, 3600.0]),
    ("min_off_time", [-1.0, 3601.0, NAN], "0 to 3600 s", [0.0, 3600.0]),
    ("min_gear_time", [-1.0, 3601.0, NAN], "0 to 3600 s", [0.0, 3600.0]),
    ("stop_speed_max", [-1.0, 101.0, NAN], SPEED, [0.0, 100.0]),
    ("stop_soc_min", [-0.01, 1.01, 45.0, NAN], SHARE, [0.0, 1.0]),
    ("stop_oil_temperature", [-61.0, 201.0, NAN], "-60 to 200 degC", [-60.0, 200.0]),
    ("brake_shift_speed", [-1.0, 101.0, NAN], SPEED, [0.0, 100.0]),
    ("skip_shifts", ["", "Up", "all"], "both or up or down or none", [*SKIPPING]),
    ("penalty_factor", [0.0, -1.0, 1e7, NAN], "above 0, up to 1000000", [1e-3, 1e6]),
    (
        "memory_limit",
        [0.0, -1.0, NAN, math.inf, 1e16],
        "above 0, up to 1e+15 bytes (above 0, up to 1000000 GB)",
        [1.0, 1e15],
    ),
    ("splits", ["many"], "3 to 10001", []),
    ("two_sided", ["yes", None, 2], "true or false", [True, False]),
]


@pytest.mark.parametrize(
    ("name", "value", "allowed"), [(n, v, a) for n, bad, a, _ in RANGES for v in bad]
)
def test_refusal(name, value, allowed):
    with pytest.raises(InputError) as caught:
        Settings(**{name: value})
    assert str(caught.value) == f"setting {name} is {value!r}; allowed is {allowed}"


@pytest.mark.parametrize(("name", "value"), [(n, v) for n, _, _, good in RANGES for v in good])
def test_ends_of_the_range_are_allowed(name, value):
    assert getattr(Settings(**{name: value}), name) == value


def test_documentation_has_every_setting_with_unit_and_range():
    text = Settings.__doc__ or ""
    for name, _, allowed, _ in RANGES:
        assert f"\n{name} : {SETTINGS[name].kind.__name__}, {allowed}; default " in text
    assert all(f"\n{field.name} : " in text for field in dataclasses.fields(Settings))


def test_rows_of_a_guide():
    rows = {row[1]: row for row in guide_rows(SETTINGS)}
    assert len(rows) == len(dataclasses.fields(Settings))
    assert rows["soc_min_percent"] == (
        *("--soc-min-percent", "soc_min_percent", "%", "0 to 100", ""),
        "Bottom of the SoC window.",
    )
    assert rows["memory_limit_GB"][:1] == ("--memory-limit-gb",)
    assert rows["memory_limit_GB"][2:5] == ("GB", "above 0, up to 1000000", "1")
    assert rows["two_sided"][2:5] == ("", "true or false", "false")
    assert rows["gear_start"][2:5] == ("", "a gear of the driveline", "1")
    assert rows["terminal"][3:5] == (" or ".join(TERMINALS), "sustain")


@pytest.fixture(scope="module")
def driveline():
    return read_driveline("full")


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"soc_min": 0.6, "soc_max": 0.6}, "setting soc_min: the SoC window 60 to 60 % is empty"),
        (
            {"soc_min": 0.599999, "soc_max": 0.600001},
            "setting soc_min/soc_max: the SoC window 59.9999 to 60.0001 % is too narrow; make it "
            "at least 0.1 % wide",
        ),
        ({"soc_min": 0.9}, "setting soc_min: the SoC window 90 to 80 % is empty"),
        ({"soc_start": 0.3}, "setting soc_start is 30 %; the SoC window is 40 to 80 %"),
        ({"soc_start": 0.81}, "setting soc_start is 81 %; the SoC window is 40 to 80 %"),
        (
            {"terminal": "target", "soc_target": 0.39},
            "setting soc_target is 39 %; the SoC window is 40 to 80 %",
        ),
        ({"terminal": "target"}, "setting soc_target is missing; terminal 'target' needs it"),
        ({"gear_start": 0}, "setting gear_start is 0; this driveline has gears 1 to 8"),
        ({"gear_start": 9}, "setting gear_start is 9; this driveline has gears 1 to 8"),
    ],
)
def test_refusal_with_a_driveline(driveline, options, message):
    with pytest.raises(InputError) as caught:
        Settings(**options).resolved(driveline)
    assert str(caught.value).startswith(message)
    assert "\n" not in str(caught.value)


def test_window_beyond_the_table_is_refused(driveline):
    table = driveline.battery.table
    part = table.isel(soc=table["soc"].values >= 0.3)
    low = float(part["soc"].values[0])
    short = dataclasses.replace(
        driveline, battery=dataclasses.replace(driveline.battery, table=part)
    )
    with pytest.raises(InputError, match="leaves the battery's table") as caught:
        Settings(soc_min=low - 0.05).resolved(short)
    assert "setting soc_min/soc_max" in str(caught.value)
    assert Settings(soc_min=low).resolved(short).soc_min == low


def test_none_means_the_drivelines_own(driveline):
    settings = Settings().resolved(driveline)
    battery = driveline.battery
    assert settings.soc_min == battery.soc_min
    assert settings.soc_max == battery.soc_max
    assert settings.soc_start == settings.soc_target == battery.soc_start
    assert not settings.two_sided


@pytest.mark.parametrize(
    ("options", "target", "two_sided"),
    [
        ({"terminal": "sustain", "soc_start": 0.7}, 0.7, False),
        ({"terminal": "sustain", "two_sided": True}, 0.6, True),
        ({"terminal": "target", "soc_target": 0.5}, 0.5, False),
        ({"terminal": "deplete", "soc_min": 0.45}, 0.45, False),
        ({"terminal": "free"}, 0.4, False),
    ],
)
def test_target_of_each_terminal(driveline, options, target, two_sided):
    settings = Settings(**options).resolved(driveline)
    assert settings.soc_target == target
    assert settings.two_sided is two_sided


def test_penalty_is_fuel_that_holds_the_energy(driveline):
    """Factor x capacity x mean voltage / heating value, from the demo's figures (closed form)."""
    battery, fuel = driveline.battery, driveline.fuel
    joules = battery.energy
    assert battery.capacity == pytest.approx(6.4 * 3600)
    assert Settings(penalty_factor=7.0).penalty(driveline) == 7.0 * joules / fuel.heating_value


def test_memory_counts_the_arrays():
    """Cost-to-go float32 (parts of 101 rows, 2, 3, 50), points three float64 and one int8."""
    memory = Memory(1000, 3, 50, 20, 1e9)
    value = 101 * 2 * 3 * 50 * 4
    assert memory.points == 1000 * 3 * 3 * 20 * 25
    assert (memory.parts, memory.kept_parts, memory.keeps_points) == (10, 10, True)
    assert memory.needed == memory.minimum + memory.points + 8 * value


def test_memory_keeps_what_fits():
    """Half of the limit for points, or 2/3 of what is left for packed ones; then parts that fit."""
    plenty = Memory(1000, 3, 50, 20, 1e9)
    value = 101 * 2 * 3 * 50 * 4
    tight = dataclasses.replace(plenty, limit=plenty.minimum + 3 * 4.5 * value)
    assert (tight.keeps_points, tight.kept_parts) == (False, 4)
    assert tight.packed == pytest.approx(2 * 4.5 * value, rel=1e-12)
    assert tight.needed <= tight.limit
    least = dataclasses.replace(plenty, limit=plenty.minimum)
    assert (least.keeps_points, least.kept_parts) == (False, 2)
    assert least.needed == least.minimum


def test_memory_refusal_says_how_to_mend_it():
    memory = Memory(1000, 8, 1_000_000, 66, 1e9)
    with pytest.raises(InputError) as caught:
        memory.check()
    assert str(caught.value) == (
        "the solve needs 14 GB but memory_limit is 1 GB; use about 14.3 times fewer SoC "
        "points, a shorter cycle, or a higher limit"
    )


@pytest.mark.parametrize(
    ("steps", "length", "points"), [(1800, 1.0, 1001), (1800, 0.4, 2001), (300, 1.0, 4001)]
)
def test_soc_points_suit_the_cycle(steps, length, points):
    """As the setting's own words say; what the user gives stays."""
    cycle = Cycle("plain", length * np.arange(steps + 1.0), np.zeros(steps + 1))
    assert Settings().for_cycle(cycle).soc_points == points
    assert Settings(soc_points=77).for_cycle(cycle).soc_points == 77


def test_the_usual_points_give_way_to_memory():
    """At 5 s each: 50 states, 4,001 points a little above 1 GB; what is named does not give way."""
    cycle, driveline = read_cycle("ece15"), read_driveline("full")
    times = Settings(min_on_time=5.0, min_off_time=5.0, min_gear_time=5.0)
    taken = settled(cycle, driveline, times)
    assert taken.soc_points == 2001
    plan_memory(cycle, driveline, times).check()
    (said,) = fewer_points(cycle, taken, times)
    assert said.startswith("2,001 SoC points are taken for cycle ece15: the usual 4,001 do not fit")
    named = settled(cycle, driveline, dataclasses.replace(times, soc_points=4001))
    assert named.soc_points == 4001 and fewer_points(cycle, named, named) == []
    assert (
        settled(cycle, driveline, dataclasses.replace(times, memory_limit=2e9)).soc_points == 4001
    )
    tight = settled(cycle, driveline, Settings(memory_limit=1e7))
    with pytest.raises(InputError, match="the solve needs"):
        plan_memory(cycle, driveline, tight).check()
