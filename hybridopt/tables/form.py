"""The form of a file of tables: what it holds, and how that is named, checked and sealed."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from ..base.errors import InputError
from ..controllers.maps import Map
from .quantities import MAX_VALUE, TableQuantity, check_axis, digest, fault

Check = Callable[[Mapping[str, np.ndarray], Mapping[str, Map], str], None]


@dataclass(frozen=True, eq=False)
class Form:
    """What one kind of file holds.

    Attributes
    ----------
    kind : first word of a file of it
    noun : of its content, for messages
    layout : keys of the axes, then of the values, by table
    quantities : of axes and values, by key
    constants : quantities beside the tables, by name
    by_gear : constants that have one value per gear
    meanings : of tables and constants, by name
    digits : significant ones in CSV; 17 give every float back
    check : raises InputError where constants and tables do not fit each other
    """

    kind: str
    noun: str
    layout: Mapping[str, tuple[str, ...]]
    quantities: Mapping[str, TableQuantity]
    constants: Mapping[str, TableQuantity]
    by_gear: tuple[str, ...]
    meanings: Mapping[str, str]
    digits: int
    check: Check

    def axes(self, table: str) -> list[TableQuantity]:
        """Return the quantities of the axes of a table."""
        return [self.quantities[key] for key in self.layout[table][:-1]]

    def value(self, table: str) -> TableQuantity:
        """Return the quantity of the values of a table; any sign and size of it is allowed."""
        found = self.quantities[self.layout[table][-1]]
        return found._replace(low=-MAX_VALUE, high=MAX_VALUE)

    def axis_names(self, table: str) -> tuple[str, ...]:
        """Return the names of the axes of a table, which no other table has."""
        return tuple(f"{table}_{quantity.name}" for quantity in self.axes(table))

    def arrays(self, table: str, found: Map) -> list[tuple[str, TableQuantity, np.ndarray]]:
        """Return the axes, then the values of a table, each with its name and quantity."""
        axes = zip(self.axis_names(table), self.axes(table), found.axes, strict=True)
        return [*axes, (table, self.value(table), found.values)]

    def shared_axes(self, maps: Mapping[str, Map]) -> dict[str, str]:
        """Return, by the name of each axis, that of the first one of its quantity and points."""
        first: dict[tuple[str, bytes], str] = {}
        return {
            name: first.setdefault((quantity.name, (axis + 0.0).tobytes()), name)  # no -0
            for table, found in maps.items()
            for name, quantity, axis in self.arrays(table, found)[:-1]
        }

    def digest(self, constants: Mapping[str, np.ndarray], maps: Mapping[str, Map]) -> str:
        """Return the digest of all values."""
        arrays = [array for name in self.layout for array in (*maps[name].axes, maps[name].values)]
        return digest([*arrays, *(constants[name] for name in self.constants)])

    def check_parts(
        self, constants: Mapping[str, np.ndarray], maps: Mapping[str, Map], place: str
    ) -> None:
        """Raise InputError where constants (SI) and tables do not fit each other."""
        gears = constants[self.by_gear[0]].size
        for name, values in constants.items():
            wanted = gears if name in self.by_gear else 1
            if values.size != wanted or not gears:
                raise InputError(
                    f"{place}: {name} has {values.size} values; give {max(wanted, 1)}, "
                    f"{'one per gear' if name in self.by_gear else 'no more'}"
                )
        self.check(constants, maps, place)


class Content(Protocol):
    """What a file of tables holds."""

    @property
    def origin(self) -> Any:
        """Where it comes from."""

    @property
    def coverage(self) -> Any:
        """How the training used each entry, by table; may be empty."""

    @property
    def form(self) -> Form:
        """What it is."""

    @property
    def maps(self) -> dict[str, Map]:
        """The tables by name, in the order of the layout."""

    @property
    def constants(self) -> dict[str, np.ndarray]:
        """The values beside the tables by name, SI, one or one per gear."""


def check_content(content: Content) -> None:
    """Raise InputError where a content is such that no file of it could be read back."""
    form, maps, constants = content.form, content.maps, content.constants
    for name, found in maps.items():
        for _, quantity, array in (arrays := form.arrays(name, found)):
            _check_values(array, quantity, f"{name}: {quantity.name}")
        for _, quantity, axis in arrays[:-1]:
            check_axis(axis, [f"{name}: {quantity.name}"] * axis.size)
        _check_shape(name, found)
    for name, quantity in form.constants.items():
        _check_values(constants[name], quantity, name)
    form.check_parts(constants, maps, "constants")


def _check_values(values: np.ndarray, quantity: TableQuantity, place: str) -> None:
    for value in np.ravel(values):
        if wrong := fault(float(value), quantity, quantity.factor):
            raise InputError(f"{place}: {wrong}; mend the tables")


def _check_shape(name: str, found: Map) -> None:
    shape: Sequence[int] = [axis.size for axis in found.axes]
    if found.values.shape != tuple(shape):
        raise InputError(
            f"{name}: values have shape {found.values.shape}, the axes {tuple(shape)}; give one "
            "value per point"
        )
