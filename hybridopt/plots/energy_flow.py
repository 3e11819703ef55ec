"""Where the energy goes: from tank, battery and braking to wheels and losses."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path
from matplotlib.patheffects import withStroke

from ..base import nomenclature
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


class Spot(NamedTuple):
    """Where a place is drawn: words, left edge, depth of its top below the top of all, colour.

    The depth is in shares of the whole energy. Words with `aside` stand below all flows, under
    their block, since flows pass above and below it.
    """

    words: str
    x: float
    depth: float
    colour: str
    aside: bool = False


ORIGINS = {
    "fuel": Spot("tank", 0.0, 0.0, ENGINE_FILL),
    "charge": Spot("battery charge", 0.0, 1.05, MOTOR_COLOUR),
    "braking": Spot("braking", 0.0, 1.34, CHARGE_COLOUR),
}
NODES = {
    "engine": Spot("engine", 1.1, 0.0, ENGINE_FILL),
    "generator": Spot("motor\nas generator", 2.1, 1.26, CHARGE_COLOUR, aside=True),
    "battery": Spot("battery", 3.0, 1.25, MOTOR_COLOUR, aside=True),
    "motor": Spot("motor\nas drive", 3.9, 1.22, MOTOR_COLOUR, aside=True),
    "gearbox": Spot("gearbox", 4.7, 0.74, BRAKE_COLOUR),
    "wheels": Spot("wheels", 5.6, 0.74, BRAKE_COLOUR),
}
SPOTS = ORIGINS | NODES
ENDS = {
    "engine_loss": "engine loss",
    "shift": "gear shifts",
    "rolling": "rolling resistance",
    "drag": "air drag",
    "grade": "climbing",
    "inertia": "left in motion",
    "kinetic": "given back in braking",
    "gearbox_loss": "gearbox loss",
    "clutch_loss": "clutch loss",
    "rotors": "rotors: shifts, stops",
    "shaft_inertia": "left in rotors",
    "auxiliary": "auxiliary load",
    "heater": "cabin heater",
    "start": "engine starts",
    "motor_loss": "motor loss",
    "battery_loss": "battery loss",
    "stored": "battery charge",
    "brakes": "friction brakes",
}
"""Ends of the flow, from top to bottom."""
ROAD = ("rolling", "drag", "grade", "inertia")
END = 6.9  # left edge of the ends
WIDTH = 0.13  # of a place
THINNEST = 1e-4  # of all sources; thinner flows are not drawn
SLOT = 0.058  # smallest height of an end, so that its words have room
GAP = 0.012  # between ends


def energy_flows(dataset: "Dataset") -> list[Flow]:
    """Return all flows of a result; what enters a place leaves it.

    Parameters
    ----------
    dataset
        Of a result.

    Returns
    -------
    list of Flow
        Between the places of :data:`SPOTS` and :data:`ENDS`.

    Notes
    -----
    Braking appears on the left with the energy that the wheels give back, and traction ends on the
    right in "given back in braking" with the same energy. Recuperation is served first where the
    motor generates in a step, then the drag of the engine; the engine's share of charging is the
    rest, and so is the drag that motor and shafts bear while driving. What starts and shifts pay
    into rotors goes to the gearbox's shafts; what rotors lose between steps, less what nothing
    pays for, ends in "rotors".
    """
    names = (*nomenclature.SOURCES, *nomenclature.SINKS)
    energy = {name: float((dataset[name] * dataset["dt"]).sum()) for name in names}
    parts = _split(dataset)
    braking, recuperated, charging = parts["braking"], parts["recuperated"], parts["charging"]
    rest = braking - energy["brake_power"] - recuperated - parts["overrun"]
    started, shifted, kept = _rotors(dataset, energy["shaft_inertia_power"])
    lost = energy["shaft_inertia_power"] + started + shifted - kept
    heater = 1e3 * float(dataset.attrs.get("heater_kJ", 0.0))
    flows = [
        Flow("fuel", "engine", energy["fuel_power"]),
        Flow("engine", "engine_loss", energy["engine_loss"] - parts["dragged"]),
        Flow("engine", "shift", energy["shift_power"] - shifted),
        Flow("engine", "generator", charging),
        Flow("engine", "gearbox", parts["engine"] - charging + shifted),
        Flow("braking", "brakes", energy["brake_power"]),
        Flow("braking", "engine", parts["overrun"]),
        Flow("braking", "generator", recuperated),
        Flow("braking", "gearbox", rest),
        Flow("generator", "motor_loss", parts["generator_loss"]),
        Flow("generator", "battery", charging + recuperated - parts["generator_loss"]),
        Flow("charge", "battery", energy["stored_power"]),
        Flow("battery", "battery_loss", energy["battery_loss"]),
        Flow("battery", "auxiliary", energy["auxiliary_power"] - heater),
        Flow("battery", "heater", heater),
        Flow("battery", "start", energy["start_power"] - started),
        Flow("battery", "gearbox", started),
        Flow("battery", "motor", parts["motor"] + parts["drive_loss"]),
        Flow("motor", "motor_loss", parts["drive_loss"]),
        Flow("motor", "gearbox", parts["motor"]),
        Flow("gearbox", "engine_loss", parts["dragged"]),
        Flow("gearbox", "gearbox_loss", energy["gearbox_loss"]),
        Flow("gearbox", "clutch_loss", energy["clutch_loss"]),
        Flow("gearbox", "rotors", lost),
        Flow("gearbox", "shaft_inertia", kept),
        Flow("gearbox", "wheels", parts["traction"]),
        Flow("wheels", "kinetic", braking),
        *(Flow("wheels", name, energy[f"{name}_power"]) for name in ROAD),
    ]
    return [_upright(flow) for flow in flows if flow.energy != 0.0]


def _rotors(dataset: "Dataset", booked: float) -> tuple[float, float, float]:
    """Return what starts and what shifts pay into rotors, and what rotors keep, J.

    Files of earlier versions do not tell; all that steps booked counts as kept then.
    """
    attrs = dataset.attrs
    if "rotor_kept_kJ" not in attrs:
        return 0.0, 0.0, booked
    names = ("start_rotor_kJ", "rotor_shift_paid_kJ", "rotor_kept_kJ")
    started, shifted, kept = (1e3 * float(attrs[name]) for name in names)
    return started, shifted, kept


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
class _Block:
    """A place while it is drawn; `left` and `right` are how much of each side is taken."""

    x: float
    top: float
    height: float
    left: float = 0.0
    right: float = 0.0

    @property
    def middle(self) -> float:
        """Height of its middle."""
        return self.top - 0.5 * self.height

    def leave(self, height: float) -> float:
        """Take the next piece of the right side; return its top."""
        self.right += height
        return self.top - self.right + height

    def enter(self, height: float) -> float:
        """Take the next piece of the left side; return its top."""
        self.left += height
        return self.top - self.left + height


def plot_energy_flow(ax: Axes, dataset: "Dataset") -> None:
    """Draw the energy flow; heights are energies, numbers are % of fuel and charge drawn.

    Parameters
    ----------
    ax
        Where.
    dataset
        Of a result.
    """
    flows = energy_flows(dataset)
    drawn = sum(flow.energy for flow in flows if flow.source in ("fuel", "charge"))
    whole = max(drawn, sum(flow.energy for flow in flows if flow.source in ORIGINS))
    flows = [flow for flow in flows if flow.energy > THINNEST * whole]
    blocks = _blocks(flows, whole)
    order = sorted(blocks, key=lambda name: -blocks[name].middle)  # from top to bottom
    leaving = {
        flow: blocks[flow.source].leave(flow.energy / whole)
        for flow in sorted(flows, key=lambda f: order.index(f.target))
    }
    entering = {
        flow: blocks[flow.target].enter(flow.energy / whole)
        for flow in sorted(flows, key=lambda f: -blocks[f.source].middle)
    }
    for flow in flows:
        start = blocks[flow.source].x + WIDTH, leaving[flow]
        stop = blocks[flow.target].x, entering[flow]
        colour = SPOTS[flow.source].colour if flow.source in SPOTS else FAINT
        _draw_ribbon(ax, start, stop, flow.energy / whole, colour)
    lowest = min(block.top - block.height for block in blocks.values()) - 0.04
    for name, block in blocks.items():
        _draw_block(ax, name, block, block.height * whole / drawn, lowest)
    ax.set_xlim(-0.95, END + 2.1)
    highest = max(block.top for block in blocks.values())
    ax.set_ylim(lowest - 0.17, highest + 0.14)
    ax.set_axis_off()
    title(ax, f"Energy, % of the {drawn / 1e6:.2f} MJ of fuel and charge drawn")


def _blocks(flows: list[Flow], whole: float) -> dict[str, _Block]:
    """Give every place its height and position; ends are stacked from the top."""
    heights: dict[str, float] = {}
    for name in [*SPOTS, *ENDS]:
        entering = sum(flow.energy for flow in flows if flow.target == name)
        leaving = sum(flow.energy for flow in flows if flow.source == name)
        if entering or leaving:
            heights[name] = max(entering, leaving) / whole
    slots = {name: max(heights[name], SLOT) for name in ENDS if name in heights}
    highest = y = sum(slots.values()) + GAP * (len(slots) - 1)
    blocks = {}
    for name, slot in slots.items():
        blocks[name] = _Block(END, y - 0.5 * (slot - heights[name]), heights[name])
        y -= slot + GAP
    for name, spot in SPOTS.items():
        if name in heights:
            depth = spot.depth
            if name == "braking" and "charge" in blocks:
                depth = max(depth, SPOTS["charge"].depth + heights["charge"] + 0.03)
            blocks[name] = _Block(spot.x, highest - depth, heights[name])
    return blocks


def _draw_ribbon(
    ax: Axes, start: tuple[float, float], stop: tuple[float, float], height: float, colour: str
) -> None:
    """Draw one flow as a band between upper corners: right side of a place, left side of one."""
    (x0, y0), (x1, y1) = start, stop
    bend = 0.5 * (x1 - x0)
    upper = [(x0, y0), (x0 + bend, y0), (x1 - bend, y1), (x1, y1)]
    lower = [(x, y - height) for x, y in reversed(upper)]
    codes = [Path.MOVETO, *[Path.CURVE4] * 3, Path.LINETO, *[Path.CURVE4] * 3, Path.CLOSEPOLY]
    band = Path([*upper, *lower, start], codes)
    style: Any = {"facecolor": colour, "alpha": 0.55, "edgecolor": QUIET, "linewidth": 0.3}
    ax.add_patch(PathPatch(band, **style))


def _draw_block(ax: Axes, name: str, block: _Block, share: float, lowest: float) -> None:
    """Draw the block of a place, and write its name and its share of what was drawn beside it.

    Words that no free place is beside stand at the height `lowest`, below all flows.
    """
    corner = (block.x, block.top - block.height)
    colour = SPOTS[name].colour if name in SPOTS else QUIET
    style: Any = {"facecolor": colour, "edgecolor": INK, "linewidth": 0.5}
    ax.add_patch(Rectangle(corner, WIDTH, block.height, **style))
    percent = f"{100.0 * share:.1f} %"
    x, y, text = END + WIDTH + 0.08, block.middle, f"{ENDS.get(name)}  {percent}"
    place: dict[str, Any] = {"va": "center"}
    if name in SPOTS:
        text = f"{SPOTS[name].words}\n{percent}"
        x, place = -0.06, {"va": "center", "ha": "right"}
    if name in NODES:
        x, y, place = block.x + 0.5 * WIDTH, block.top + 0.012, {"va": "bottom", "ha": "center"}
        if SPOTS[name].aside:
            y, place = lowest, {"va": "top", "ha": "center"}
            line: Any = {"color": INK, "linewidth": 0.7, "linestyle": ":"}
            ax.plot([x, x], [lowest + 0.005, block.top - block.height], **line)
    told = ax.text(x, y, text, fontsize=TEXT, color=INK, **place)
    told.set_path_effects([withStroke(linewidth=2.5, foreground=PAPER)])
