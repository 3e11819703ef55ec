"""The predictive controller as C99 source: constant float32 arrays and the decision.

The code is that of :mod:`hybridopt.controllers.preview_kernels`, in the same order, with the limits
of the maps where the closed loop asks the driveline.
"""

from collections.abc import Iterable

import numpy as np

from ..base.units import GRAVITY
from ..controllers import preview_kernels as kernels
from ..controllers.equivalence_kernels import RESERVE
from ..controllers.preview import CLOSED
from ..controllers.preview_loop import LATEST, REACH
from ..problem.events import skipping_shifts
from ..tables.form import check_content
from ..tables.preview_form import BY_GEAR, DRIVELINE
from ..tables.preview_set import PreviewSet
from .c_text import Row, array, c_name, comment_text, content_comment, literal, table_rows, template
from .operation_count import count_operations

KEPT_AXES = {"start_cost": slice(2, 3), "expected": slice(2)}
"""Axes that the code keeps of tables that share the others: with running_cost, or counted."""


def preview_c_files(content: PreviewSet) -> dict[str, str]:
    """Return header and source by file name.

    Parameters
    ----------
    content
        What is exported; its horizon is the highest of the code.

    Raises
    ------
    InputError
        A value is not fit for use, or points of an axis fall together when rounded.
    """
    check_content(content)
    name = c_name(content.origin.title, "preview")
    tables = table_rows(content)
    pieces = list(_arrays(content, tables))
    fields = {
        "name": name,
        "guard": name.upper(),
        "gears": str(content.gears),
        "intervals": str(content.preview.intervals),
        "step": literal(content.preview.step),
        "training": comment_text(content.origin.training),
        "comment": content_comment(content, "Predictive controller of a hybrid driveline", tables),
        "search": str(_search(tables)),
        "splits": str(3 + sum(tables[name][1].values.size for name in ("motor_power", "fuel"))),
        "reserve": literal(RESERVE),
        "latest": literal(LATEST),
        "remaining": "s, from the end of the step to that of the drive"
        if content.preview.destination
        else "s; any figure, for it does not count",
        "short": literal(kernels.SHORT),
        "impossible": literal(kernels.IMPOSSIBLE),
        "closed": literal(CLOSED),
        "bytes": str(4 * sum(row.values.size for rows in tables.values() for row in rows)),
        "arrays": "\n".join(pieces),
    }
    source = template("preview.c").substitute(fields)
    header = template("preview.h").substitute(fields, operations="0", divisions="0")
    most = count_operations(header + source, f"{name}_step")
    counts = {"operations": str(most.all), "divisions": str(most.divisions)}
    header = template("preview.h").substitute(fields, **counts)
    return {f"{name}.h": header, f"{name}.c": source}


def _search(tables: dict[str, list[Row]]) -> int:
    """Return how often halving finds a cell of the longest axis at most."""
    longest = max(row.values.size for *axes, _ in tables.values() for row in axes)
    return int(np.ceil(np.log2(max(longest - 1, 1))))


def _arrays(content: PreviewSet, tables: dict[str, list[Row]]) -> Iterable[str]:
    constants = content.constants
    for name in BY_GEAR:
        yield array(f"static const float {name}[GEARS]", [literal(x) for x in constants[name]])
    for name, value in _scalars(content).items():
        yield f"static const float {name} = {literal(value)};"
    yield _shift_fuel(content)
    for name, (*axes, values) in tables.items():
        if name == "shift_fuel":
            continue
        kept = axes[KEPT_AXES.get(name, slice(None))]
        for row in (*kept, values):
            entries = [literal(x) for x in row.entries]
            yield array(f"static const float {row.name}[{row.values.size}]", entries)
        rows = ", ".join(f"{{{row.values.size}, {row.name}}}" for row in kept)
        yield f"static const row {name}_axes[{len(kept)}] = {{{rows}}};"


def _scalars(content: PreviewSet) -> dict[str, float]:
    """Return the constants of the code, SI."""
    found = {name: float(values[0]) for name, values in content.constants.items()}
    axis, heat, vehicle = content.known.running_cost.axes[2], content.heating_value, found
    mass = vehicle["mass"] + vehicle["trailer_mass"]
    rolling = vehicle["rolling_resistance"] * vehicle["mass"]
    rolling += vehicle["trailer_rolling_resistance"] * vehicle["trailer_mass"]
    area = vehicle["drag_area"] + vehicle["trailer_drag_area"]
    kept: tuple[str, ...] = (
        "min_on",
        "min_off",
        "min_gear",
        "motion_charge",
        "soc_reference",
        "start_reserve",
    )
    kept += ("soc_low", "stop_speed", "stop_soc", "brake_shift_speed", "wheel_radius", "headwind")
    return {
        **{name: found[name] for name in (*kept, *DRIVELINE)},
        "start_cost_extra": found["start_charge"],
        "shift_cost_extra": found["shift_charge"],
        "moved_mass": mass + vehicle["wheel_inertia"] / vehicle["wheel_radius"] ** 2,
        "rolling_force": GRAVITY * rolling,
        "weight": GRAVITY * mass,
        "drag": 0.5 * vehicle["air_density"] * area,
        "usual_worth": found["factor"] / heat,
        "proportional": found["proportional"] / heat,
        "reach": found["destination"] * REACH / heat,
        "worth_low": float(axis[0]),
        "worth_high": float(axis[-1]),
    }


def _shift_fuel(content: PreviewSet) -> str:
    """Return fuel of shifts over squared wheel speed; shifts that skip gears are closed by it."""
    up, down = content.terms.skip_up > 0.5, content.terms.skip_down > 0.5
    skips = {(True, True): "both", (True, False): "up", (False, True): "down"}.get(
        (up, down), "none"
    )
    values = content.known.shift_fuel + CLOSED * skipping_shifts(content.gears, skips)
    blocks = []
    for block in values:
        rows = ["{" + ", ".join(literal(x) for x in row) + "}" for row in block]
        blocks.append("    {" + ",\n     ".join(rows) + "}")
    return (
        "static const float shift_fuel[CLASSES][GEARS][GEARS] = {\n" + ",\n".join(blocks) + "\n};"
    )
