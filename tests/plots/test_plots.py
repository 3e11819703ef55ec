"""The plot of a schedule: panels, labels, colours, and the file."""

import json
import subprocess
import sys
from collections import Counter

import numpy as np
import pytest
from matplotlib.figure import Figure

from hybridopt import InputError
from hybridopt.optimum.result import Result
from hybridopt.physics.modes import Mode
from hybridopt.plots.axes import save_figure
from hybridopt.plots.energy_flow import energy_flows
from hybridopt.plots.schedule import (
    plot_gear,
    plot_modes,
    plot_schedule,
    plot_soc,
    plot_speed,
    plot_torques,
)


@pytest.fixture
def ax():
    return Figure().add_subplot()


def test_one_figure_has_all_panels_with_their_units(result):
    figure = plot_schedule(result)
    labels = [ax.get_ylabel().replace("\n", " ") for ax in figure.axes]
    assert labels == [
        "speed (km/h)",
        "gear (-)",
        "mode",
        "torque (N m)",
        "state of charge (%)",
        "brakes (N m)",
    ]
    assert figure.axes[4].get_xlabel() == "time (s)"
    assert {ax.get_xlim() for ax in figure.axes} == {(0.0, 195.0)}


def test_the_title_tells_cycle_driveline_fuel_cost_and_bound(result):
    title = plot_schedule(result).axes[0].get_title(loc="left")
    assert title.startswith(f"ece15, driveline full\n{result.fuel_g:.1f} g fuel")
    bounded = Result(result.dataset.assign_attrs(bound_g=26.5))
    assert plot_schedule(bounded).axes[0].get_title(loc="left").endswith("lower bound 26.5 g")


def test_given_axes_are_drawn_on(result):
    figure = Figure()
    axes = list(figure.subplots(5, 1, sharex=True))
    assert plot_schedule(result, axes) is figure
    with pytest.raises(ValueError, match="shorter|longer"):
        plot_schedule(result, axes[:4])


def test_what_the_oil_temperature_adds(result):
    """A panel more, the air in the title, and the cabin's heat beside the auxiliary load."""
    dataset, steps = result.dataset, result.dataset.sizes["time"]
    settings = json.loads(dataset.attrs["settings"]) | {"ambient_temperature": -7.0}
    more = {"settings": json.dumps(settings), "oil_end_C": 20.0, "heater_kJ": 0.01}
    dataset = dataset.assign(oil_temperature=("time", np.linspace(-7.0, 20.0, steps)))
    warming = Result(dataset.assign_attrs(more))
    axes = plot_schedule(warming).axes
    assert "oil\n(°C)" in [ax.get_ylabel() for ax in axes]
    assert "in air of -7 °C" in axes[0].get_title(loc="left")
    assert warming.heading == f"{result.heading}, in air of -7 °C"
    ends = {flow.target: flow.energy for flow in energy_flows(warming.dataset)}
    assert ends["heater"] == pytest.approx(10.0)
    assert ends["auxiliary"] + 10.0 == pytest.approx(1e3 * result.energy_auxiliary_kJ)


def test_everything_lies_within_the_page_and_legends_outside_the_data(result):
    figure = plot_schedule(result)
    figure.canvas.draw()
    page = figure.bbox
    for ax in figure.axes:
        box = ax.get_tightbbox()
        assert box is not None
        assert page.x0 <= box.x0 and box.x1 <= page.x1 and page.y0 <= box.y0 and box.y1 <= page.y1
        legend = ax.get_legend()
        if legend is not None:
            assert legend.get_window_extent().x0 >= ax.get_window_extent().x1


def test_speed_is_in_km_per_h(ax, result):
    plot_speed(ax, result.dataset)
    values = ax.patches[0].get_data().values
    np.testing.assert_allclose(values, result.dataset["speed"].values * 3.6)


def test_each_mode_has_a_lane_with_a_bar_per_run(ax, result):
    plot_modes(ax, result.dataset)
    codes = result.dataset["mode"].values
    heads = Counter(codes[np.flatnonzero(np.diff(codes, prepend=-1))].tolist())
    for mode, lane in zip(Mode, ax.collections, strict=True):
        assert len(lane.get_paths()) == heads[mode]
    names = [text.get_text().split(",")[0] for text in ax.texts]
    assert names == [mode.text for mode in Mode]


def test_gear_and_torque_and_soc_show_their_data(result):
    gear, torques, soc = Figure().subplots(3, 1)
    plot_gear(gear, result.dataset)
    np.testing.assert_array_equal(gear.patches[0].get_data().values, result.dataset["gear"].values)
    plot_torques(torques, result.dataset)
    for patch, name in zip(torques.patches, ("engine_torque", "motor_torque"), strict=True):
        np.testing.assert_array_equal(patch.get_data().values, result.dataset[name].values)
    plot_soc(soc, result.dataset)
    line = next(line for line in soc.lines if line.get_label() == "state of charge")
    assert line.get_ydata()[-1] == pytest.approx(100.0 * result.soc_end)


def test_zero_torque_is_at_one_height_on_both_sides(result):
    figure = plot_schedule(result)
    left, right = figure.axes[3].get_ylim(), figure.axes[5].get_ylim()
    assert left[0] / left[1] == pytest.approx(right[0] / right[1])
    assert right[0] <= result.dataset["brake_torque"].values.min()


@pytest.mark.long
def test_png_is_written_once_and_replaced_only_on_wish(result, tmp_path):
    path = tmp_path / "plot.png"
    save_figure(plot_schedule(result), path)
    first = path.read_bytes()
    assert first.startswith(b"\x89PNG")
    with pytest.raises(InputError, match="exists already"):
        save_figure(plot_schedule(result), path)
    save_figure(plot_schedule(result), path, overwrite=True)
    assert path.read_bytes() == first  # the same picture, byte by byte
    with pytest.raises(InputError, match="plot.gif: give a name that ends in .png, .pdf or .svg"):
        save_figure(plot_schedule(result), tmp_path / "plot.gif")
    assert [entry.name for entry in tmp_path.iterdir()] == ["plot.png"]


@pytest.mark.long
def test_plotting_leaves_global_state_alone():
    code = "import sys, hybridopt.plots.pages; print('matplotlib.pyplot' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"
