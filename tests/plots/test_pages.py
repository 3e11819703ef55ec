"""Every kind of picture: units on all axes, nothing off the page, no words on other words."""

import dataclasses
import itertools
import re

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from rule_tables import hand_made
from scipy.interpolate import RegularGridInterpolator

from hybridopt import Settings, read_cycle
from hybridopt.evaluation.compare import compare
from hybridopt.evaluation.sources import read_controller
from hybridopt.evaluation.trade_off import TradeOff, TradePoint
from hybridopt.physics.modes import Mode
from hybridopt.plots import pages as figures
from hybridopt.plots.axes import figure_writer, plain
from hybridopt.plots.colours import MODE_COLOURS
from hybridopt.plots.controllers import plot_regret
from hybridopt.plots.cost_to_go import value_surface
from hybridopt.plots.gears import plot_gear_use
from hybridopt.plots.operating_points import (
    _gathered,
    best_line,
    engine_efficiency,
    motor_efficiency,
)
from hybridopt.plots.rule_tables import rule_tables_figure
from hybridopt.plots.schedule import plot_schedule

TRADE = TradeOff("starts", (TradePoint(0.0, 9, 100.0, 99.9), TradePoint(1.0, 4, 101.0, 104.8)))

POINTS = ((0, 2.1, 720), (3.4, 1.9, 720.2), (6.9, 1.7, 721), (14, 1.3, 724), (27, 1.28, 724.2))
NOX = TradeOff("nox", tuple(TradePoint(p, n, c, c + p * n - 0.4) for p, n, c in POINTS))


@pytest.fixture(scope="module")
def scores(driveline):
    controllers = {name: read_controller(name) for name in ("equivalence", "electric_power")}
    settings = Settings(soc_points=101, splits=9)
    return compare([read_cycle("ece15")], driveline, controllers, settings, "none").scores


KINDS = {
    "schedule": lambda f: plot_schedule(f("result")),
    "engine": lambda f: figures.points_figure("engine", f("result"), f("driveline")),
    "motor": lambda f: figures.points_figure("motor", f("result"), f("driveline")),
    "no maps": lambda f: figures.points_figure("engine", f("result")),
    "modes": lambda f: figures.visited_figure([f("result")]),
    "best modes": lambda f: figures.best_modes_figure(f("optimum")),
    "gears": lambda f: figures.gears_figure(f("result")),
    "costate": lambda f: figures.costate_figure(f("result")),
    "value": lambda f: figures.value_figure(f("optimum")),
    "soc": lambda f: figures.controllers_figure(f("scores"), "soc"),
    "regret": lambda f: figures.controllers_figure(f("scores"), "regret"),
    "starts": lambda f: figures.trade_off_figure(f("result"), TRADE),
    "grams": lambda f: figures.trade_off_figure(f("result"), NOX),
    "energy": lambda f: figures.energy_figure(f("result")),
    "tables": lambda f: rule_tables_figure(hand_made()),
    "rule modes": lambda f: figures.rule_modes_figure(hand_made(), f("driveline")),
}


@pytest.fixture(params=KINDS)
def drawn(request):
    figure = KINDS[request.param](request.getfixturevalue)
    figure.canvas.draw()
    return figure


@pytest.mark.long
def test_picture_is_whole(drawn):
    page = drawn.bbox
    for ax in drawn.axes:
        box = ax.get_tightbbox()
        assert page.x0 - 1 <= box.x0 and box.x1 <= page.x1 + 1
        assert page.y0 - 1 <= box.y0 and box.y1 <= page.y1 + 1
        if not ax.axison:
            continue
        for label in (ax.get_xlabel(), ax.get_ylabel()):
            words = label.replace("\n", " ")
            assert not words or words == "mode" or re.search(r"\(.+\)", words), words
        ticks = [t for axis in (ax.xaxis, ax.yaxis) for t in axis.get_ticklabels()]
        assert min((t.get_size() for t in ticks), default=9) >= 9
        for axis in (ax.xaxis, ax.yaxis):
            spans = [t.get_window_extent() for t in axis.get_ticklabels() if t.get_text()]
            shown = [s for s in spans if page.x0 <= s.x0 <= page.x1 and page.y0 <= s.y0 <= page.y1]
            assert not any(a.overlaps(b) for a, b in itertools.pairwise(shown))


@pytest.mark.long
def test_headings_of_long_names_are_on_the_page(result, driveline):
    """Of every picture of a result; 60 letters are what a cycle's name is cut to."""
    long = type(result)(
        result.dataset.assign_attrs(
            cycle="from_the_north_side_to_the_old_town_and_back_2024_11_28_" * 2,
            driveline="full_hybrid_with_a_larger_battery_and_a_long_axle_" * 2,
            controller="adaptive_equivalence_of_the_second_kind_" * 2,
        )
    )
    for figure in (
        plot_schedule(long),
        figures.energy_figure(long),
        figures.gears_figure(long),
        figures.costate_figure(long),
        figures.visited_figure([long]),
        figures.points_figure("engine", long, driveline),
    ):
        figure.canvas.draw()
        heads = [ax.title for ax in figure.axes] + [ax._left_title for ax in figure.axes]
        heads += [figure._suptitle] if figure.get_suptitle() else []
        for text in heads:
            box, page = text.get_window_extent(), figure.bbox
            assert not text.get_text() or (box.x0 >= 0 and box.x1 <= page.x1), text.get_text()
            assert box.y1 <= page.y1 + 1, text.get_text()


def test_words_of_the_energy_flow_lie_on_no_flow(result):
    """Beside, above or below the bands; a name over a band can hardly be read."""
    figure = figures.energy_figure(result)
    figure.canvas.draw()
    (ax,) = figure.axes
    bands = [p for p in ax.patches if isinstance(p, PathPatch)]
    for text in ax.texts:
        box = text.get_window_extent()
        for band in bands:
            assert (
                not band.get_path()
                .transformed(band.get_transform())
                .intersects_bbox(box, filled=True)
            ), text.get_text()


@pytest.mark.parametrize(("tailpipe", "place"), [(False, "engine"), (True, "catalyst")])
def test_prices_of_near_marks_stand_apart_and_grams_have_a_place(result, tailpipe, place):
    figure = figures.trade_off_figure(result, dataclasses.replace(NOX, tailpipe=tailpipe))
    figure.canvas.draw()
    (ax,) = figure.axes
    boxes = [text.get_window_extent() for text in ax.texts]
    assert not any(a.overlaps(b) for a, b in itertools.combinations(boxes, 2))
    assert [text.get_text() for text in ax.texts] == ["0", "3.4", "6.9", "14 to 27"]
    assert ax.get_xlabel() == f"nitrogen oxides that leave the {place} (g)"


def test_some_axes_has_a_unit_for_both(result, driveline):
    (ax,) = figures.points_figure("engine", result, driveline).axes
    assert ax.get_xlabel() == "engine speed (rpm)" and ax.get_ylabel() == "engine torque (N m)"


def test_names_with_dollars_are_no_formulas(result):
    odd = type(result)(result.dataset.assign_attrs(cycle="$\\frac{$ <b>", driveline="a$b$c"))
    figure = figures.gears_figure(odd)
    figure.canvas.draw()
    assert figure.get_suptitle() == plain("$\\frac{$ <b>") + ", driveline a\\$b\\$c"


def test_marks_keep_time_and_centre():
    """Two points in one cell, one apart: seconds add up, the centre is weighted by time."""
    speed, torque = np.array([100.0, 101.0, 900.0]), np.array([10.0, 10.0, 90.0])
    seconds, modes = np.array([1.0, 3.0, 2.0]), np.array([Mode.BOOST, Mode.ELECTRIC, Mode.BOOST])
    x, y, total, busiest = _gathered(speed, torque, seconds, modes)
    assert x.tolist() == [100.75, 900.0] and y.tolist() == [10.0, 90.0]
    assert total.tolist() == [4.0, 2.0] and busiest.tolist() == [Mode.ELECTRIC, Mode.BOOST]


def test_efficiency_against_scipy(driveline):
    engine, heat = driveline.engine, driveline.fuel.heating_value
    speed, torque, share = engine_efficiency(driveline)
    table = (engine.fuel_map["speed"].values, engine.fuel_map["torque"].values)
    fuel = RegularGridInterpolator(table, engine.fuel_map.values)
    for i, j in ((20, 80), (100, 140), (200, 30)):
        expected = speed[i] * torque[j] / (fuel((speed[i], torque[j])) * heat)
        assert share[i, j] == pytest.approx(float(expected), rel=1e-12)
    assert 0.3 < np.nanmax(share) < 0.45  # petrol engines, common practice, no source


def test_no_speed_gives_an_engine_power_for_less_fuel_than_the_best_line(driveline):
    engine = driveline.engine
    table = (engine.fuel_map["speed"].values, engine.fuel_map["torque"].values)
    fuel = RegularGridInterpolator(table, engine.fuel_map.values)
    for speed, torque in list(zip(*best_line(driveline), strict=True))[::7]:
        others = np.linspace(engine.idle_speed, engine.max_speed, 97)
        wanted = speed * torque / others
        full = np.interp(others, engine.full_load["speed"], engine.full_load)
        fits = wanted <= full
        least = fuel((others[fits], wanted[fits])).min()
        assert fuel((speed, torque)) <= least * 1.001


def test_motor_efficiency_in_both_quadrants(driveline):
    motor = driveline.motor
    speed, torque, share = motor_efficiency(motor)
    axes = (motor.loss_map["speed"].values, motor.loss_map["torque"].values)
    loss = RegularGridInterpolator(axes, motor.loss_map.values)
    i = 100
    for j in (int(np.argmin(abs(torque - 60.0))), int(np.argmin(abs(torque + 60.0)))):
        shaft, lost = speed[i] * torque[j], float(loss((speed[i], torque[j])))
        into, out = (shaft + lost, shaft) if shaft > 0 else (-shaft, -shaft - lost)
        assert share[i, j] == pytest.approx(out / into, rel=1e-9)


def test_gear_bars_add_up_to_all_driving(result):
    ax = Figure().subplots()
    plot_gear_use(ax, result.dataset)
    assert sum(bar.get_width() for bar in ax.patches) == pytest.approx(100.0)
    colours = {bar.get_facecolor() for bar in ax.patches}
    assert len(colours) <= len(MODE_COLOURS) == len(Mode)


def test_surface_ends_at_the_penalty_and_begins_below_the_cost(optimum):
    solution = optimum.solution
    times = np.arange(len(solution.value), dtype=float)
    when, socs, value = value_surface(solution, times)
    assert when[0] == 0.0 and when[-1] == times[-1]
    least = np.interp(solution.soc[0], socs, np.nan_to_num(value[0], nan=1e9))
    assert 0.95 * solution.value_start < least <= solution.value_start * (1.0 + 1e-9)
    grid, known = solution.problem.grid, np.isfinite(value[-1])
    exact = grid.penalty * np.maximum(grid.target - socs, 0.0)
    np.testing.assert_allclose(value[-1][known], exact[known], atol=1e-4)


def test_curves_of_regret_end_at_the_decisions_losses(scores):
    ax = Figure().subplots()
    plot_regret(ax, scores)
    lines = [line for line in ax.lines if len(line.get_xdata()) > 2]
    for line, score in zip(lines, scores[1:], strict=True):
        totals = score.regret.totals
        decided = totals["engine"] + totals["gear"] + totals["split"]
        assert line.get_ydata()[-1] == pytest.approx(decided)


@pytest.mark.long
def test_files_are_the_same_every_time(result, tmp_path):
    for kind, head in (("png", b"\x89PNG"), ("pdf", b"%PDF"), ("svg", b"<?xml")):
        made = []
        for name in ("a", "b"):
            figure_writer(figures.gears_figure(result), kind)(tmp_path / name)
            made.append((tmp_path / name).read_bytes())
        assert made[0] == made[1] and made[0].startswith(head)


def test_map_values_are_those_of_scipy():
    """Bilinear inside, NaN outside; the installed package has no scipy, so the plots do without."""
    from hybridopt import read_driveline
    from hybridopt.plots.operating_points import map_values

    table = read_driveline("full").engine.fuel_map
    speed = np.linspace(0.8 * float(table.speed[0]), 1.1 * float(table.speed[-1]), 57)[:, None]
    torque = np.linspace(-5.0, 1.1 * float(table.torque[-1]), 43)[None, :]
    expected = table.interp(speed=speed[:, 0], torque=torque[0]).values
    np.testing.assert_allclose(map_values(table, speed, torque), expected, rtol=1e-12)
