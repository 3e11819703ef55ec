"""The picture of what foresight is worth: the data it shows, and honest axes."""

import math

import numpy as np
import pytest

from hybridopt import Settings
from hybridopt.evaluation.foresight_worth import ForesightRow, ForesightWorth
from hybridopt.plots.foresight_worth import plot_foresight

HORIZONS = [0.0, 2.0, 60.0]
LOSSES = {"exact": {"a": [4.0, 2.0, 0.5], "b": [3.0, 1.0, 0.1]}, "steady": {"a": [4.0, 3.9, 4.2]}}


@pytest.fixture
def worth(driveline):
    rows = [
        ForesightRow(cycle, kind, horizon, False, loss)
        for kind, cycles in LOSSES.items()
        for cycle, losses in cycles.items()
        for horizon, loss in zip(HORIZONS, losses, strict=True)
    ]
    return ForesightWorth(driveline, Settings().resolved(driveline), HORIZONS, rows, ["a"])


def test_each_panel_has_its_cycles_thin_and_their_mean_bold(worth):
    panels = [ax for ax in plot_foresight(worth).axes if ax.get_visible()]
    assert [ax.get_title(loc="left") for ax in panels] == ["Preview exact", "Preview steady"]
    drawn = {line.get_label(): line for line in panels[0].get_lines()}
    for name in ("a", "b"):
        np.testing.assert_array_equal(drawn[name].get_ydata(), LOSSES["exact"][name])
    np.testing.assert_allclose(drawn["mean"].get_ydata(), [3.5, 1.5, 0.3])
    assert drawn["mean"].get_linewidth() > 2.0 * drawn["a"].get_linewidth()
    assert [line.get_label() for line in panels[1].get_lines()] == ["a"]


def test_losses_are_linear_from_zero_and_horizons_marked_as_not_to_scale(worth):
    figure = plot_foresight(worth)
    figure.canvas.draw()
    for ax in figure.axes:
        if ax.get_visible():
            assert ax.get_yscale() == "linear" and ax.get_ylim()[0] == 0.0
            assert [text.get_text() for text in ax.get_xticklabels()] == ["0", "2", "60"]
            assert ax.get_xlabel() == "seconds seen ahead (not to scale)"
    assert figure.axes[0].get_ylabel() == "cost above optimum (%)"


def test_a_loss_below_zero_is_on_the_page_and_a_missing_one_is_no_point(worth):
    below = ForesightRow("c", "exact", 2.0, False, -1.0)
    rows = [*worth.rows, below]
    figure = plot_foresight(ForesightWorth(worth.driveline, worth.settings, HORIZONS, rows, ["a"]))
    ax = figure.axes[0]
    (line,) = (line for line in ax.get_lines() if line.get_label() == "c")
    values = np.asarray(line.get_ydata())
    assert math.isnan(values[0]) and values[1] == -1.0 and ax.get_ylim()[0] < -1.0
