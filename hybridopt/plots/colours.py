"""The one table of colours: every plot, page and picture takes its colours from here.

The colours of the modes stay apart in grey (at least 8 in CIE L*) and for people who see no
difference between red and green, or blue and yellow (at least 15 in CIE 1976 colour difference);
a test works both out.
"""

from ..physics.modes import Mode

MODE_COLOURS = {
    Mode.STANDSTILL: "#c6ccd4",
    Mode.COAST: "#867d73",
    Mode.ELECTRIC: "#12306e",
    Mode.REGEN: "#2fa0c8",
    Mode.ENGINE_PULL_START: "#0b0d10",
    Mode.ENGINE_ONLY: "#6f4511",
    Mode.BOOST: "#bd2f48",
    Mode.LOAD_POINT_SHIFT: "#e6a72b",
}
"""Colour of each :class:`hybridopt.Mode`, as in all plots and pages."""
ENGINE_COLOUR = MODE_COLOURS[Mode.ENGINE_ONLY]
ENGINE_FILL = MODE_COLOURS[Mode.LOAD_POINT_SHIFT]
MOTOR_COLOUR = MODE_COLOURS[Mode.ELECTRIC]
CHARGE_COLOUR = MODE_COLOURS[Mode.REGEN]
BRAKE_COLOUR = "#a3a9b3"
LOG_COLOUR = "#d98a1c"
ALARM_COLOUR = MODE_COLOURS[Mode.BOOST]

CAUSE_COLOURS = {
    "engine": ENGINE_COLOUR,
    "gear": ENGINE_FILL,
    "split": MOTOR_COLOUR,
    "other": MODE_COLOURS[Mode.STANDSTILL],
}
"""Of what fuel is lost by."""

INK = "#22262c"  # text and outlines
QUIET = "#5c6470"  # axes, second-rank text
FAINT = "#dfe2e6"  # grid lines
PAPER = "#ffffff"

SERIES = ("#0b0d10", "#bd2f48", "#12306e", "#d99a1a", "#2f9fc4", "#6f4511", "#867d73")
"""Colours of controllers in their order; the optimum comes first."""
DASHES = ("-", "-", "--", "-.", ":", (0, (6, 1, 1, 1)), (0, (3, 3)))
"""Dashes that go with :data:`SERIES`, for prints in grey."""
SCALE = "cividis"
"""Matplotlib colour map of magnitudes; its lightness rises evenly."""
BALANCE = "PuOr"
"""Matplotlib colour map of values on both sides of 0, which is its light middle."""
