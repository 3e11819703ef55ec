"""Where the energy goes: from tank, battery and braking to wheels and losses."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path
from matplotlib.patheffects import withStroke

from .axes import TEXT, title
from .colours import (
    BRAKE_COLOUR,
    CHARGE_COLOUR,
    ENGINE_FILL,
    FAINT,
    INK,
    MOTOR_COLOUR,
    PAPER,
    QUIET,
)

if TYPE_CHECKING:
    from xarray import Dataset


class Flow(NamedTuple):
    """Energy that goes from one place to another, J, 0 or more."""

    source: str
    target: str
    energy: float


SOURCES = {"fuel": "tank", "braking": "braking", "charge": "battery charge"}
NODES = {
    "engine": "engine",
    "generator": "motor\nas generator",
    "battery": "battery",
    "motor": "motor\nas drive",
    "gearbox": "gearbox",
    "wheels": "wheels",
}
SINKS = {
    "engine_loss": "engine loss",
    "shift": "gear shifts",
    "rolling": "rolling resistance",
    "drag": "air drag",
    "grade": "climbing",
    "inertia": "left in motion",
    "kinetic": "given back in braking",
    "gearbox_loss": "gearbox loss",
    "clutch_loss": "clutch loss",
    "shaft_inertia": "left in shafts",
    "auxiliary": "auxiliary load",
    "start": "engine starts",
    "motor_loss": "motor loss",
    "battery_loss": "battery loss",
    "stored": "battery charge",
    "brakes": "friction brakes",
}
"""Ends of the flow, from top to bottom."""
PLACES = {
    "fuel": (0.0, 0.0),
    "charge": (0.0, 1.05),
    "braking": (0.0, 1.34),
    "engine": (1.1, 0.0),
    "generator": (2.1, 1.26),
    "battery": (3.0, 1.25),
    "motor": (3.9, 1.22),
    "gearbox": (4.7, 0.74),
    "wheels": (5.6, 0.74),
}
"""Left edge of each place, and how far its top is below the top of all, in shares of the whole."""
LEFT = ("generator", "battery", "motor")  # their names begin at their left edge, off the flows
ROAD = ("rolling", "drag", "grade", "inertia")
END = 6.9  # left edge of the ends
WIDTH = 0.13  # of a place
LEAST = 1e-4  # of all sources; thinner flows are not drawn
SLOT = 0.058  # least height of an end, so that its words have room
COLOURS = {
    "fuel": ENGINE_FILL,
    "engine": ENGINE_FILL,
    "generator": CHARGE_COLOUR,
    "charge": MOTOR_COLOUR,
    "battery": MOTOR_COLOUR,
    "motor": MOTOR_COLOUR,
    "braking": CHARGE_COLOUR,
    "gearbox": BRAKE_COLOUR,
    "wheels": BRAKE_COLOUR,
}


def energy_flows(dataset: "Dataset") -> list[Flow]:
    """Return all flows of a result; what enters a place leaves it.

    Notes
    -----
    Braking appears on the left with the energy that the wheels give back, and traction ends on the
    right in "given back in braking" with the same figure. Recuperation is served first where the
    motor generates in a step, then the drag of the engine; the engine's share of charging is the
    rest, and so is the drag that motor and shafts bear while driving.
    """
    energy = {name: float((dataset[name] * dataset["dt"]).sum()) for name in _NAMES}
    parts = _split(dataset)
    braking, recuperated, charging = parts["braking"], parts["recuperated"], parts["charging"]
    rest = braking - energy["brake_power"] - recuperated - parts["overrun"]
    flows = [
        Flow("fuel", "engine", energy["fuel_power"]),
        Flow("engine", "engine_loss", energy["engine_loss"] - parts["dragged"]),
        Flow("engine", "shift", energy["shift_power"]),
        Flow("engine", "generator", charging),
        Flow("engine", "gearbox", parts["engine"] - charging),
        Flow("braking", "brakes", energy["brake_power"]),
        Flow("braking", "engine", parts["overrun"]),
        Flow("braking", "generator", recuperated),
        Flow("braking", "gearbox", rest),
        Flow("generator", "motor_loss", parts["generator_loss"]),
        Flow("generator", "battery", charging + recuperated - parts["generator_loss"]),
        Flow("charge", "battery", energy["stored_power"]),
        Flow("battery", "battery_loss", energy["battery_loss"]),
        Flow("battery", "auxiliary", energy["auxiliary_power"]),
        Flow("battery", "start", energy["start_power"]),
        Flow("battery", "motor", parts["motor"] + parts["drive_loss"]),
        Flow("motor", "motor_loss", parts["drive_loss"]),
        Flow("motor", "gearbox", parts["motor"]),
        Flow("gearbox", "engine_loss", parts["dragged"]),
        Flow("gearbox", "gearbox_loss", energy["gearbox_loss"]),
        Flow("gearbox", "clutch_loss", energy["clutch_loss"]),
        Flow("gearbox", "shaft_inertia", energy["shaft_inertia_power"]),
        Flow("gearbox", "wheels", parts["traction"]),
        Flow("wheels", "kinetic", braking),
        *(Flow("wheels", name, energy[f"{name}_power"]) for name in ROAD),
    ]
    return [_upright(flow) for flow in flows if flow.energy != 0.0]


_NAMES = (
    "fuel_power",
    "stored_power",
    "engine_loss",
    "battery_loss",
    "clutch_loss",
    "gearbox_loss",
    "start_power",
    "shift_power",
    "auxiliary_power",
    "brake_power",
    "rolling_power",
    "drag_power",
    "grade_power",
    "inertia_power",
    "shaft_inertia_power",
)


def _split(dataset: "Dataset") -> dict[str, float]:
    """Return energies by direction, J."""
    seconds = dataset["dt"].values
    wheels = sum(dataset[f"{name}_power"].values for name in ROAD)
    engine = dataset["engine_torque"].values * dataset["engine_speed"].values
    motor = dataset["motor_torque"].values * dataset["motor_speed"].values
    loss, generating = dataset["motor_loss"].values, motor <= 0.0
    given_back = np.maximum(-wheels - dataset["brake_power"].values, 0.0)
    recuperated = np.minimum(np.maximum(-motor, 0.0), given_back)
    dragging = np.maximum(-engine, 0.0)
    overrun = np.minimum(dragging, given_back - recuperated)
    powers = {
        "traction": np.maximum(wheels, 0.0),
        "braking": np.maximum(-wheels, 0.0),
        "engine": np.maximum(engine, 0.0),
        "overrun": overrun,
        "dragged": dragging - overrun,
        "motor": np.maximum(motor, 0.0),
        "recuperated": recuperated,
        "charging": np.maximum(-motor, 0.0) - recuperated,
        "generator_loss": np.where(generating, loss, 0.0),
        "drive_loss": np.where(generating, 0.0, loss),
    }
    return {name: float((power * seconds).sum()) for name, power in powers.items()}


def _upright(flow: Flow) -> Flow:
    """Turn a negative flow round: an end that gives energy becomes a source of its place."""
    if flow.energy >= 0.0:
        return flow
    if flow.source == "charge":
        return Flow("battery", "stored", -flow.energy)
    return Flow(flow.target, flow.source, -flow.energy)


@dataclass
class _Place:
    """A place of the picture while it is drawn; `left` and `right` are the next free heights."""

    x: float
    top: float
    height: float
    left: float
    right: float

    @property
    def middle(self) -> float:
        """Height of its middle."""
        return self.top - 0.5 * self.height

    def leave(self, height: float) -> float:
        """Take the next piece of the right side; return its top."""
        self.right -= height
        return self.right + height

    def enter(self, height: float) -> float:
        """Take the next piece of the left side; return its top."""
        self.left -= height
        return self.left + height


def plot_energy_flow(ax: Axes, dataset: "Dataset") -> None:
    """Draw the energy flow; heights are energies, figures are % of fuel and charge drawn."""
    flows = energy_flows(dataset)
    drawn = sum(flow.energy for flow in flows if flow.source in ("fuel", "charge"))
    whole = max(drawn, sum(flow.energy for flow in flows if flow.source in SOURCES))
    flows = [flow for flow in flows if flow.energy > LEAST * whole]
    places = _places(flows, whole)
    order = _order(places)
    leaving = {
        flow: places[flow.source].leave(flow.energy / whole)
        for flow in sorted(flows, key=lambda f: order.index(f.target))
    }
    entering = {
        flow: places[flow.target].enter(flow.energy / whole)
        for flow in sorted(flows, key=lambda f: -places[f.source].middle)
    }
    for flow in flows:
        _ribbon(ax, places, flow, (leaving[flow], entering[flow]), flow.energy / whole)
    for name, place in places.items():
        _label(ax, name, place, flows, drawn)
    ax.set_xlim(-0.95, END + 2.1)
    lowest = min(place.top - place.height for place in places.values())
    highest = max(place.top for place in places.values())
    ax.set_ylim(lowest - 0.04, highest + 0.14)
    ax.set_axis_off()
    title(ax, f"Energy, % of the {drawn / 1e6:.2f} MJ of fuel and charge drawn")


def _places(flows: list[Flow], whole: float) -> dict[str, _Place]:
    """Give every place its height and position; ends are stacked from the top."""
    heights: dict[str, float] = {}
    for name in [*PLACES, *SINKS]:
        entering = sum(flow.energy for flow in flows if flow.target == name)
        leaving = sum(flow.energy for flow in flows if flow.source == name)
        if entering or leaving:
            heights[name] = max(entering, leaving) / whole
    places = {}
    ends = [name for name in SINKS if name in heights]
    gap, total = 0.012, sum(max(heights[name], SLOT) for name in ends)
    y = total + gap * (len(ends) - 1)
    highest = y
    for name in ends:
        slot = max(heights[name], SLOT)
        top = y - 0.5 * (slot - heights[name])
        places[name] = _Place(END, top, heights[name], top, top)
        y -= slot + gap
    for name, (x, depth) in PLACES.items():
        if name in heights:
            if name == "braking" and "charge" in places:
                depth = max(depth, highest - places["charge"].top + heights["charge"] + 0.03)
            top = highest - depth
            places[name] = _Place(x, top, heights[name], top, top)
    return places


def _order(places: dict[str, _Place]) -> list[str]:
    """Return all places from top to bottom."""
    return sorted(places, key=lambda name: -places[name].middle)


def _ribbon(
    ax: Axes, places: dict[str, _Place], flow: Flow, tops: tuple[float, float], height: float
) -> None:
    """Draw one flow as a band from the right side of a place to the left side of another."""
    x0, x1 = places[flow.source].x + WIDTH, places[flow.target].x
    y0, y1 = tops
    bend = 0.5 * (x1 - x0)
    corners = [
        (x0, y0),
        (x0 + bend, y0),
        (x1 - bend, y1),
        (x1, y1),
        (x1, y1 - height),
        (x1 - bend, y1 - height),
        (x0 + bend, y0 - height),
        (x0, y0 - height),
        (x0, y0),
    ]
    codes = [Path.MOVETO, *[Path.CURVE4] * 3, Path.LINETO, *[Path.CURVE4] * 3, Path.CLOSEPOLY]
    ax.add_patch(
        PathPatch(
            Path(corners, codes),
            facecolor=COLOURS.get(flow.source, FAINT),
            alpha=0.55,
            edgecolor=QUIET,
            linewidth=0.3,
        )
    )


def _label(ax: Axes, name: str, place: _Place, flows: list[Flow], drawn: float) -> None:
    """Draw the block of a place and write its name and figure beside it."""
    energy = max(
        sum(flow.energy for flow in flows if flow.source == name),
        sum(flow.energy for flow in flows if flow.target == name),
    )
    ax.add_patch(
        Rectangle(
            (place.x, place.top - place.height),
            WIDTH,
            place.height,
            facecolor=COLOURS.get(name, QUIET),
            edgecolor=INK,
            linewidth=0.5,
        )
    )
    figure, middle = f"{100.0 * energy / drawn:.1f} %", place.middle
    if name in SINKS:
        ax.text(
            END + WIDTH + 0.08,
            middle,
            f"{SINKS[name]}  {figure}",
            va="center",
            fontsize=TEXT,
            color=INK,
        )
    elif name in SOURCES:
        ax.text(
            -0.06,
            middle,
            f"{SOURCES[name]}\n{figure}",
            ha="right",
            va="center",
            fontsize=TEXT,
            color=INK,
        )
    else:
        x, side = (place.x, "left") if name in LEFT else (place.x + 0.5 * WIDTH, "center")
        ax.text(
            x,
            place.top + 0.012,
            f"{NODES[name]}\n{figure}",
            ha=side,
            va="bottom",
            fontsize=TEXT,
            color=INK,
            path_effects=[withStroke(linewidth=3.0, foreground=PAPER)],
        )
