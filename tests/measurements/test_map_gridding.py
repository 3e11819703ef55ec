"""Scattered points to full grids: closed forms, noise, outliers, limits, refusals."""

import numpy as np
import pytest
from scipy.interpolate import LinearNDInterpolator

from hybridopt.base.errors import InputError
from hybridopt.base.units import RPM
from hybridopt.inputs.driveline_file import DEMO_FOLDER
from hybridopt.inputs.maps import map_values, read_curve, read_fuel_map, read_loss_map
from hybridopt.measurements.bench_points import read_points
from hybridopt.measurements.map_gridding import GridRequest, grid_points
from hybridopt.measurements.map_quality import assess, residuals
from hybridopt.text.bench_map_report import map_writer, report_lines, report_record

HEAT = 42_900.0  # J/g
N = 150


def willans(speed, torque):
    """Return g/s at 40 % marginal efficiency and 20 N m of friction."""
    return speed * (torque + 20.0) / (0.4 * HEAT)


def polynomial(speed, torque):
    return 120.0 + 0.9 * speed + 0.07 * torque**2


def places(speeds, torques, count=N, seed=7):
    """The same places in every test, whichever ran before: speeds of 1/min, in SI."""
    random = np.random.default_rng(seed)
    return random.uniform(*speeds, count) * RPM, random.uniform(*torques, count)


def engine_places(count=N, seed=7):
    return places((900.0, 6000.0), (15.0, 200.0), count, seed)


def bench(path, columns):
    """Write columns by name and return the file."""
    rows = np.column_stack(list(columns.values()))
    np.savetxt(path, rows, fmt="%.17g", delimiter=",", header=",".join(columns), comments="")
    return path


def engine_points(path, value, speed, torque):
    table = {"speed_rpm": speed / RPM, "torque_Nm": torque, "fuel_g_per_s": value}
    return read_points(bench(path / "bench.csv", table), "engine")


def nodes(made):
    return np.meshgrid(made.map["speed"], made.map["torque"], indexing="ij")


# --- closed forms ---


@pytest.mark.long
@pytest.mark.parametrize("given", ["fuel_g_per_s", "bsfc_g_per_kWh", "efficiency_percent"])
def test_willans_engine_comes_back_to_rounding(tmp_path, given):
    """From scattered points, at all nodes: also at 0 N m, where no point is."""
    speed, torque = engine_places()
    rate, power = willans(speed, torque), speed * torque
    values = {
        "fuel_g_per_s": rate,
        "bsfc_g_per_kWh": rate / power * 3.6e6,
        "efficiency_percent": 100.0 * power / (rate * HEAT),
    }
    table = {"speed_rad_per_s": speed, "power_kW": power / 1e3, given: values[given]}
    made = grid_points(read_points(bench(tmp_path / "e.csv", table), "engine", HEAT))
    np.testing.assert_allclose(made.map.values, willans(*nodes(made)), rtol=1e-12)
    assert made.map["torque"][0] == 0.0 and made.outliers.size == 0
    assert (made.lifted, made.raised, made.falls_at) == (0, 0, None)


def test_mean_effective_pressure_of_a_four_stroke_engine(tmp_path):
    """10 bar on 2 l turn 159.155 N m: p V / (4 pi) (textbook formula)."""
    table = {
        "speed_rpm": np.arange(1000.0, 7000.0, 1000.0),
        "bmep_bar": [10, 2, 4, 6, 8, 1],
        "fuel_g_per_s": np.ones(6),
    }
    points = read_points(bench(tmp_path / "e.csv", table), "engine", displacement=2e-3)
    assert points.torque[0] == pytest.approx(159.15494309189535, rel=1e-14)


@pytest.mark.long
@pytest.mark.parametrize("given", ["loss_W", "efficiency_percent", "electric_power_kW"])
def test_motor_measured_in_four_quadrants_comes_back(tmp_path, given):
    """Forwards and backwards, driving and braking; (-speed, -torque) is (speed, torque)."""
    speed, torque = places((-8000, 8000), (-180, 180))
    power, lost = speed * torque, polynomial(np.abs(speed), torque)
    electric = power + lost
    share = np.where(power > 0.0, power / electric, electric / power)
    values = {
        "loss_W": lost,
        "efficiency_percent": 100.0 * share,
        "electric_power_kW": electric / 1e3,
    }
    table = {"speed_rad_per_s": speed, "torque_Nm": torque, given: values[given]}
    made = grid_points(read_points(bench(tmp_path / "m.csv", table), "motor"))
    np.testing.assert_allclose(made.map.values, polynomial(*nodes(made)), rtol=1e-11)
    assert made.map["speed"][0] == 0.0 and 0.0 in made.map["torque"].values
    assert any("negative speed" in note for note in made.points.notes)


@pytest.mark.long
def test_motor_measured_on_one_side_is_mirrored(tmp_path):
    speed, torque = places((0, 8000), (0, 180))
    table = {"speed_rad_per_s": speed, "torque_Nm": torque, "loss_W": polynomial(speed, torque)}
    made = grid_points(read_points(bench(tmp_path / "m.csv", table), "motor"))
    np.testing.assert_allclose(made.map.values, polynomial(*nodes(made)), rtol=1e-11)
    assert made.one_sided and made.extrapolated[:, made.map["torque"].values < 0.0].all()


# --- measured maps ---


@pytest.mark.long
def test_shipped_map_comes_back_from_scattered_points(tmp_path):
    """Within 0.5 % of it (RMS), and twice as near as scipy's linear interpolation is."""
    table = read_fuel_map(DEMO_FOLDER / "petrol_1600_fuel_map.csv", HEAT)
    full = read_curve(DEMO_FOLDER / "petrol_1600_full_load.csv")
    rng = np.random.default_rng(1)
    speed = rng.uniform(900, 6200, 200) * RPM
    torque = rng.uniform(0.05, 1.0, 200) * np.interp(speed, full["speed"], full)
    value = map_values(table, speed, torque) * (1.0 + 0.01 * rng.standard_normal(200))
    made = grid_points(engine_points(tmp_path, value, speed, torque))
    asked = rng.uniform((1200, 20), (5500, 150), (500, 2)) * (RPM, 1.0)
    truth = map_values(table, asked[:, 0], asked[:, 1])
    error = np.sqrt(np.mean((map_values(made.map, asked[:, 0], asked[:, 1]) / truth - 1.0) ** 2))
    straight = LinearNDInterpolator(np.column_stack((speed, torque)), value, rescale=True)
    other = np.sqrt(np.nanmean((straight(asked) / truth - 1.0) ** 2))
    assert error < 0.005 and error < 0.5 * other


@pytest.mark.long
@pytest.mark.parametrize("sigma", [0.01, 0.05])
def test_residuals_of_noise_are_its_size(tmp_path, sigma):
    """RMS sigma sqrt(1 - p / n) for the p = 4 coefficients of a surface smoothed all the way."""
    speed, torque = engine_places(600, 2)
    noise = sigma * np.random.default_rng(3).standard_normal(600)
    made = grid_points(engine_points(tmp_path, willans(speed, torque) + noise, speed, torque))
    quality = assess(made)
    assert quality.rms == pytest.approx(sigma, rel=0.06)
    assert quality.rms <= quality.foretold_rms <= 1.06 * sigma
    assert made.outliers.size == 0


@pytest.mark.long
def test_residuals_are_points_less_the_written_map(tmp_path):
    speed, torque = engine_places()
    value = willans(speed, torque) * (1.0 + 0.02 * np.sin(speed / 40.0))
    made = grid_points(
        engine_points(tmp_path, value, speed, torque), GridRequest(speeds=9, torques=7)
    )
    map_writer(made, ["a note"])(tmp_path / "map.csv")
    again = read_fuel_map(tmp_path / "map.csv", HEAT)
    assert again.shape == (9, 7)
    np.testing.assert_allclose(again.values, made.map.values, rtol=1e-11)
    quality = assess(made)
    off = value - map_values(again, speed, torque)
    on = np.isfinite(off)  # the point at the very end may be off by rounding
    assert on.sum() >= N - 2
    np.testing.assert_allclose(residuals(made)[on], off[on], atol=1e-9)
    worst = int(np.nanargmax(np.abs(off)))
    assert quality.worst == pytest.approx(off[worst], rel=1e-6)
    assert quality.worst_line == worst + 2
    assert quality.rms == pytest.approx(np.sqrt(np.nanmean(off**2)), rel=1e-2)


# --- outliers ---


@pytest.mark.long
def test_outliers_are_found_by_their_line_and_can_be_left_out(tmp_path):
    rng = np.random.default_rng(5)
    x, y = (
        axis.ravel()
        for axis in np.meshgrid(np.linspace(1000, 6000, 12) * RPM, np.linspace(20, 200, 12))
    )
    value = willans(x, y) * (1.0 + 0.01 * rng.standard_normal(144))
    value[[40, 41, 90]] *= (1.3, 0.6, 10.0)  # two neighbours, and a point of a decimal
    points = engine_points(tmp_path, value, x, y)
    kept, without = grid_points(points), grid_points(points, GridRequest(drop_outliers=True))
    quality = assess(kept)
    assert [one.line for one in quality.outliers] == [42, 43, 92]
    for one in quality.outliers:
        assert one.expected == pytest.approx(willans(one.speed, one.torque), rel=0.03)
    assert kept.used.size == 144 and without.used.size == 141
    assert assess(without).outliers == quality.outliers
    np.testing.assert_allclose(without.map.values, willans(*nodes(without)), rtol=0.04)
    text = "\n".join(report_lines(kept, quality))
    assert "line 92 (" in text and "kept; --drop-outliers leaves them out" in text


# --- physics kept ---


def test_map_is_never_negative_and_rises(tmp_path):
    """A line of fuel that would cross zero above 0 N m."""
    speed, torque = engine_places()
    value = 1e-4 * speed * np.maximum(torque - 14.0, 0.0)
    made = grid_points(engine_points(tmp_path, value, speed, torque))
    assert made.map.values.min() == 0.0 and made.lifted > 0
    assert (np.diff(made.map.values, axis=1) >= 0.0).all()
    failed = {check.name for check in assess(made).checks if not check.passed}
    assert "fuel_at_zero_torque" in failed


@pytest.mark.long
def test_points_whose_fuel_falls_with_torque_are_told(tmp_path):
    speed, torque = engine_places()
    value = willans(speed, torque) * np.where(torque > 120.0, 0.3, 1.0)
    made = grid_points(engine_points(tmp_path, value, speed, torque))
    (check,) = [c for c in assess(made).checks if c.name == "rising"]
    assert not check.passed and "fuel falls with torque near" in check.text
    assert made.raised == 0


# --- the report ---


def test_extrapolated_share_of_a_square(tmp_path):
    """Points on 1000-3000 rpm by 0-100 N m, a grid to 5000 rpm and 200 N m: 3/4 outside."""
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(1000, 3000, 5), np.linspace(0, 100, 5)))
    points = engine_points(tmp_path, willans(x * RPM, y), x * RPM, y)
    plan = GridRequest(speed_high=5000 * RPM, torque_high=200.0)
    quality = assess(grid_points(points, plan), HEAT)
    assert quality.extrapolated_share == pytest.approx(0.75, abs=0.01)
    assert quality.area == "the whole grid"
    assert all(check.passed for check in quality.checks)


def test_limit_sets_the_area_and_the_ends_of_the_grid(tmp_path):
    """Full load 100 N m up to 5000 rpm: half of that area is measured."""
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(1000, 3000, 5), np.linspace(0, 100, 5)))
    points = engine_points(tmp_path, willans(x * RPM, y), x * RPM, y)
    (tmp_path / "full.csv").write_text("speed_rpm,torque_Nm\n1000,100\n5000,100\n")
    limit = read_curve(tmp_path / "full.csv")
    made = grid_points(points, GridRequest(limit=limit))
    assert made.map["speed"][-1] == pytest.approx(5000 * RPM)
    assert assess(made, None, limit).extrapolated_share == pytest.approx(0.5, abs=0.01)
    short = grid_points(points, GridRequest(limit=limit, speed_high=4000 * RPM))
    checks = {check.name: check.passed for check in assess(short, None, limit).checks}
    assert checks["limit"] is False


@pytest.mark.long
@pytest.mark.parametrize(
    "factor, name", [(0.2, "lowest_consumption"), (0.2, "efficiency"), (4.0, "lowest_consumption")]
)
def test_implausible_engines_are_told(tmp_path, factor, name):
    """A factor as of a wrong unit: 45 g/kWh and 200 % efficiency, or 900 g/kWh."""
    speed, torque = engine_places()
    value = factor * willans(speed, torque)
    quality = assess(grid_points(engine_points(tmp_path, value, speed, torque)), HEAT)
    assert name in {check.name for check in quality.checks if not check.passed}


@pytest.mark.long
def test_motor_that_makes_energy_is_told(tmp_path):
    speed, torque = places((500, 8000), (-180, 180))
    lost = polynomial(speed, torque)
    lost[3] = -50.0
    table = {
        "speed_rad_per_s": speed,
        "torque_Nm": torque,
        "electric_power_kW": (speed * torque + lost) / 1e3,
    }
    made = grid_points(read_points(bench(tmp_path / "m.csv", table), "motor"))
    record = report_record(made, assess(made))
    failed = {check["name"]: check["text"] for check in record["checks"] if not check["passed"]}
    assert failed["loss"] == "the loss is negative at line 5"
    assert made.map.values.min() >= 0.0


@pytest.mark.long
def test_written_motor_map_is_that_of_the_loss(tmp_path):
    speed, torque = places((0, 8000), (-180, 180))
    table = {"speed_rad_per_s": speed, "torque_Nm": torque, "loss_W": polynomial(speed, torque)}
    made = grid_points(read_points(bench(tmp_path / "m.csv", table), "motor"))
    map_writer(made)(tmp_path / "loss.csv")
    np.testing.assert_allclose(read_loss_map(tmp_path / "loss.csv"), made.map, rtol=1e-10)


@pytest.mark.long
def test_points_beyond_the_grid_are_counted(tmp_path):
    speed, torque = engine_places()
    points = engine_points(tmp_path, willans(speed, torque), speed, torque)
    made = grid_points(points, GridRequest(torque_high=100.0))
    quality = assess(made)
    assert quality.off_grid == (torque > 100.0).sum() and quality.rms < 1e-9
    assert f"{quality.off_grid} points lie beyond the grid" in "\n".join(
        report_lines(made, quality)
    )


# --- what says nothing, and refusals ---


def test_points_that_say_nothing_are_left_out_and_noted(tmp_path):
    speed, torque = engine_places(20)
    torque[:3] = (0.0, -10.0, 0.0)
    table = {"speed_rad_per_s": speed, "torque_Nm": torque, "bsfc_g_per_kWh": np.full(20, 250.0)}
    points = read_points(bench(tmp_path / "e.csv", table), "engine")
    notes = " ".join(points.notes)
    assert points.speed.size == 17 and points.lines[0] == 5
    assert "1 point below 0 Nm left out" in notes
    assert "2 points without shaft power left out (lines 2, 4)" in notes and "Willans" in notes


REFUSALS = {
    "no speed": ("engine", "torque_Nm,fuel_g_per_s\n1,1\n", "column speed_rpm is missing"),
    "no load": ("engine", "speed_rpm,fuel_g_per_s\n1,1\n", "give the load as torque_Nm or power"),
    "no value": ("motor", "speed_rpm,torque_Nm\n1,1\n", "give the loss as loss_W or loss_kW"),
    "pressure": ("motor", "speed_rpm,bmep_bar,loss_W\n1,1,1\n", "column torque_Nm is missing"),
    "few": ("engine", "speed_rpm,torque_Nm,fuel_g_per_s\n1000,1,1\n", "has 1 points that can be"),
    "backwards": ("engine", "speed_rpm,torque_Nm,fuel_g_per_s\n-9,1,1\n", "line 2: speed_rpm is"),
    "words": ("engine", "speed_rpm,torque_Nm,fuel_g_per_s\n900,x,1\n", "torque_Nm is 'x'"),
    "bar": ("engine", "speed_rpm,bmep_bar,fuel_g_per_s\n900,1,1\n", "with --displacement-l"),
    "no fuel": ("engine", "speed_rpm,torque_Nm,fuel_g_per_s\n" + "900,1,0\n" * 9, "every point"),
    "huge": ("motor", "speed_rpm,torque_Nm,loss_W\n" + "900,1,1e300\n" * 9, "values too large"),
    "one place": ("engine", "speed_rpm,torque_Nm,fuel_g_per_s\n" + "900,1,1\n" * 9, "is empty"),
    "one torque": (
        "engine",
        "speed_rpm,torque_Nm,fuel_g_per_s\n" + "".join(f"{900 + i},5,1\n" for i in range(9)),
        "too few speeds or torques",
    ),
}


@pytest.mark.parametrize("name", REFUSALS)
def test_refusals_are_one_sentence(tmp_path, name):
    kind, content, words = REFUSALS[name]
    path = tmp_path / "bench.csv"
    path.write_text(content)
    with pytest.raises(InputError) as caught:
        grid_points(read_points(path, kind))
    text = str(caught.value)
    assert words in text and "bench.csv" in text and text.isprintable()


def test_a_value_of_nearly_nothing_warns_of_nothing(tmp_path):
    """Residuals in percent of a loss next to 0 overflow; warnings are errors in the tests."""
    path = tmp_path / "bench.csv"
    rows = [
        f"{w},{t},{96 - abs(w) // 40}" for w in (-200, 50, 300, 600) for t in (-90, -20, 30, 80)
    ]
    rows[5] = "50,5e-324,95"
    path.write_text("\n".join(["speed_rad_per_s,torque_Nm,efficiency_percent", *rows]) + "\n")
    quality = assess(grid_points(read_points(path, "motor")))
    assert np.isfinite(quality.rms_percent)
