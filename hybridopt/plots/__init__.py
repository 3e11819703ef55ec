"""Plots, each a function on a matplotlib Axes; nothing here touches matplotlib's global state."""

from .axes import CHART, FORMATS, SIZE, figure_writer, new_figure, png_writer
from .colours import FAINT, INK, MODE_COLOURS, MOTOR_COLOUR
from .controllers import plot_regret, plot_soc_paths
from .cost_to_go import plot_cost_to_go, plot_costate, plot_costate_surface
from .energy_flow import plot_energy_flow
from .gears import plot_gear_speeds, plot_gear_use
from .mode_map import plot_mode_map
from .operating_points import plot_engine_points, plot_motor_points
from .rule_tables import plot_table, rule_table_figure, rule_tables_figure
from .schedule import (
    plot_gear,
    plot_modes,
    plot_schedule,
    plot_soc,
    plot_speed,
    plot_torques,
    save_png,
)
from .trade_off import plot_trade_off

__all__ = [
    "CHART",
    "FAINT",
    "FORMATS",
    "INK",
    "MODE_COLOURS",
    "MOTOR_COLOUR",
    "SIZE",
    "figure_writer",
    "new_figure",
    "plot_cost_to_go",
    "plot_costate",
    "plot_costate_surface",
    "plot_energy_flow",
    "plot_engine_points",
    "plot_gear",
    "plot_gear_speeds",
    "plot_gear_use",
    "plot_mode_map",
    "plot_modes",
    "plot_motor_points",
    "plot_regret",
    "plot_schedule",
    "plot_soc",
    "plot_soc_paths",
    "plot_speed",
    "plot_table",
    "plot_torques",
    "plot_trade_off",
    "png_writer",
    "rule_table_figure",
    "rule_tables_figure",
    "save_png",
]
