"""The predictive controller as C99 source: constant float32 arrays and the decision.

The code is that of :mod:`hybridopt.controllers.preview_kernels`, in the same order, with the limits
of the maps where the closed loop asks the driveline.
"""

import numpy as np

from ..base.units import GRAVITY
from ..controllers import preview_kernels as kernels
from ..controllers.equivalence_kernels import RESERVE
from ..controllers.preview import CLOSED
from ..controllers.preview_loop import LATEST, REACH
from ..problem.events import skipping_shifts
from ..tables.form import check_content
from ..tables.preview_form import BY_GEAR, DRIVELINE, LAYOUT
from ..tables.preview_set import PreviewSet
from ..tables.quantities import MAX_VALUE, TableQuantity
from .c_arrays import (
    CArray,
    constant_arrays,
    constant_members,
    definition,
    size_of,
    struct_texts,
    table_arrays,
)
from .c_text import (
    Row,
    c_name,
    comment_text,
    content_comment,
    float_row,
    literal,
    table_rows,
    template,
)
from .operation_count import count_operations

KEPT_AXES = {"start_cost": slice(2, 3), "expected": slice(2), "shift_fuel": slice(0)}
"""Axes under which the code finds them; others are those of running_cost, or counted."""
COUNTED = {"expected": (2, 3), "shift_fuel": (0, 1, 2)}
"""Numbers of axes that are counted, such as gears."""
AS_THEY_ARE = (
    *("min_on", "min_off", "min_gear", "motion_charge", "soc_reference", "start_reserve"),
    *("soc_low", "stop_speed", "stop_soc", "brake_shift_speed", "wheel_radius", "headwind"),
    *DRIVELINE,
)
"""Constants that the code keeps under their names."""
RENAMED = {"start_charge": "start_cost_extra", "shift_charge": "shift_cost_extra"}
DERIVED = {
    "moved_mass": ("kg", "vehicle, trailer and turning wheels"),
    "rolling_force": ("N", "rolling resistance of vehicle and trailer on a level road"),
    "weight": ("N", "of vehicle and trailer"),
    "drag_factor": ("kg/m", "force of the air over the square of its speed"),
    "usual_worth": ("g/J", "worth of stored energy at the reference state of charge"),
    "worth_rise": ("g/J", "rise of that per missing state of charge"),
    "reach": ("g s/J", "rise of that per missing state of charge, times the time that is left"),
}
"""Constants that the code keeps instead of others: unit and meaning."""


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
    arrays = preview_arrays(content)
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
        "bytes": str(size_of(arrays)),
        **_members(arrays, tables, content.gears),
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


def preview_arrays(content: PreviewSet) -> list[CArray]:
    """Return what can be calibrated in the code; errors as :func:`preview_c_files`."""

    def place(table: str, axis: int | None) -> str | None:
        if axis is None:
            return table if table == "shift_fuel" else f"{table}_values"
        kept = range(len(LAYOUT[table]) - 1)[KEPT_AXES.get(table, slice(None))]
        return f"{table}_axes[{kept.index(axis)}].points" if axis in kept else None

    names = {name: name for name in (*BY_GEAR, *AS_THEY_ARE)} | RENAMED
    found = constant_arrays(content, names)
    for name, value in _derived(content).items():
        unit, meaning = DERIVED[name]
        quantity = TableQuantity(name, unit, unit, 1.0, -MAX_VALUE, MAX_VALUE)
        row = float_row(name, quantity, np.array([value]))
        found.append(CArray(name, row, meaning, "value", (1,), (name,), (), True))
    tables = table_rows(content)
    tables["shift_fuel"][-1] = float_row("shift_fuel", *_shift_fuel(content))
    return found + table_arrays(content, tables, place, COUNTED)


def _derived(content: PreviewSet) -> dict[str, float]:
    """Return the constants of the code that are worked out from others, SI."""
    vehicle = {name: float(values[0]) for name, values in content.constants.items()}
    heat = content.heating_value
    mass = vehicle["mass"] + vehicle["trailer_mass"]
    rolling = vehicle["rolling_resistance"] * vehicle["mass"]
    rolling += vehicle["trailer_rolling_resistance"] * vehicle["trailer_mass"]
    area = vehicle["drag_area"] + vehicle["trailer_drag_area"]
    return {
        "moved_mass": mass + vehicle["wheel_inertia"] / vehicle["wheel_radius"] ** 2,
        "rolling_force": GRAVITY * rolling,
        "weight": GRAVITY * mass,
        "drag_factor": 0.5 * vehicle["air_density"] * area,
        "usual_worth": vehicle["factor"] / heat,
        "worth_rise": vehicle["proportional"] / heat,
        "reach": vehicle["destination"] * REACH / heat,
    }


def _shift_fuel(content: PreviewSet) -> tuple[TableQuantity, np.ndarray]:
    """Return fuel of shifts over squared wheel speed; shifts that skip gears are closed by it."""
    up, down = content.terms.skip_up > 0.5, content.terms.skip_down > 0.5
    skips = {(True, True): "both", (True, False): "up", (False, True): "down"}.get(
        (up, down), "none"
    )
    values = content.known.shift_fuel + CLOSED * skipping_shifts(content.gears, skips)
    return content.form.value("shift_fuel"), values.ravel()


def _members(arrays: list[CArray], tables: dict[str, list[Row]], gears: int) -> dict[str, str]:
    """Return the struct of all that can be calibrated, and the arrays it points to."""
    members = constant_members(arrays)
    for name, (*axes, values) in tables.items():
        if name == "shift_fuel":
            members.append(("fuel_by_gears *shift_fuel", "shift_fuel"))
            continue
        kept = axes[KEPT_AXES.get(name, slice(None))]
        rows = ", ".join(f"{{{row.values.size}, {row.name}}}" for row in kept)
        members.append((f"row {name}_axes[{len(kept)}]", f"{{{rows}}}"))
        members.append((f"KEPT float *{name}_values", values.name))
    declared, struct = struct_texts(members)
    pieces = [_cube(of.row, gears) if of.label == "shift_fuel" else definition(of) for of in arrays]
    return {"members": declared, "arrays": "\n".join([*pieces, struct])}


def _cube(row: Row, gears: int) -> str:
    """Return the definition of an array over engine class and two gears."""
    blocks = []
    for block in row.entries.reshape(-1, gears, gears):
        rows = ["{" + ", ".join(literal(x) for x in line) + "}" for line in block]
        blocks.append("    {" + ",\n     ".join(rows) + "}")
    head = f"static KEPT float {row.name}[CLASSES][GEARS][GEARS] = {{\n"
    return head + ",\n".join(blocks) + "\n};"
