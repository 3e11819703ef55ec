"""Rule tables under edit: one state after another, named versions, and what drives come to."""

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..base.errors import InputError
from ..controllers.maps import Map
from ..distillation.table_drives import Driven, TableDrives
from ..tables.cell_edits import Region, edited_values
from ..tables.rule_set import RuleSet

MOST_STATES = 500  # that can be gone back through
MOST_VERSIONS = 50
LONGEST_NAME = 40  # characters, of a version
BEGAN = "as opened"


@dataclass(frozen=True, eq=False)
class EditState:
    """Tables at one moment.

    Attributes
    ----------
    values : of each table, SI
    driven : what each drive comes to with them
    words : the change that led here
    """

    values: Mapping[str, np.ndarray]
    driven: Mapping[str, Driven]
    words: str


class EditSession:
    """A rule set that is changed step by step; every drive is driven again at each step.

    Parameters
    ----------
    rule_set
        What is begun with.
    drives
        What is driven.

    Attributes
    ----------
    revision : counts every change, also undoing one
    versions : named states; the first is what was begun with
    saved : the state that was written last
    """

    def __init__(self, rule_set: RuleSet, drives: TableDrives) -> None:
        self.opened, self.drives, self.revision = rule_set, drives, 1
        values = {name: found.values for name, found in rule_set.maps.items()}
        self._states = [EditState(values, drives.driven(rule_set.table), BEGAN)]
        self._at = 0
        self.versions, self.saved = {BEGAN: self.now}, self.now

    @property
    def now(self) -> EditState:
        """The tables as they are."""
        return self._states[self._at]

    @property
    def unsaved(self) -> bool:
        """Whether the values differ from those that were written last."""
        return not _same(self.now, self.saved)

    @property
    def undone(self) -> str:
        """What undoing would take back; empty where there is nothing."""
        return self.now.words if self._at else ""

    @property
    def redone(self) -> str:
        """What redoing would do again; empty where there is nothing."""
        return self._states[self._at + 1].words if self._at + 1 < len(self._states) else ""

    def rules(self, state: EditState | None = None) -> RuleSet:
        """Return the rule set of a state, by default as it is now, marked as edited if it is."""
        state = state or self.now
        maps: dict[str, Any] = {
            name: Map(self.opened.map(name).axes, values) for name, values in state.values.items()
        }
        table = dataclasses.replace(self.opened.table, **maps)
        edited = self.opened.origin.edited or not _same(state, self.versions[BEGAN])
        origin = dataclasses.replace(self.opened.origin, edited=edited)
        return dataclasses.replace(self.opened, table=table, origin=origin)

    def change(self, table: str, region: Region, operation: str, amount: float) -> None:
        """Change a region of a table; see :func:`hybridopt.tables.cell_edits.edited_values`.

        Raises
        ------
        InputError
            As there, or the drives cannot be driven so; nothing is changed then.
        """
        found = Map(self.opened.map(table).axes, self.now.values[table])
        values = edited_values(found, region, operation, amount)
        count = values[region.within(values.shape)].size
        cells = f"{count} cell{'s' if count > 1 else ''}"
        self._go_on({**self.now.values, table: values}, f"{operation}, {table}, {cells}")

    def take_back(self, table: str, region: Region, version: str) -> None:
        """Give a region of a table the values of a version; errors as :meth:`change`."""
        values, place = self.now.values[table].copy(), region.within(self.now.values[table].shape)
        values[place] = self.version(version).values[table][place]
        self._go_on({**self.now.values, table: values}, f"back to {version}, {table}")

    def take_version(self, name: str) -> None:
        """Give all tables the values of a version, as a further change."""
        self._go_on(self.version(name).values, f"back to {name}")

    def version(self, name: str) -> EditState:
        """Return a named state.

        Raises
        ------
        InputError
            There is none of that name.
        """
        if name not in self.versions:
            raise InputError(f"there is no version {name!r}")
        return self.versions[name]

    def keep(self, name: str) -> None:
        """Keep the tables as they are under a name.

        Raises
        ------
        InputError
            The name is empty, too long or taken, or there are too many versions.
        """
        name = " ".join(name.split())
        if not 0 < len(name) <= LONGEST_NAME:
            raise InputError(f"give the version a name of 1 to {LONGEST_NAME} letters")
        if name in self.versions:
            raise InputError(f"there is a version {name!r} already; give another name")
        if len(self.versions) > MOST_VERSIONS:
            raise InputError(f"there are {MOST_VERSIONS} versions already; save some to files")
        self.versions[name] = self.now

    def step(self, by: int) -> None:
        """Undo (-1) or redo (1).

        Raises
        ------
        InputError
            There is nothing to undo or redo.
        """
        if not 0 <= self._at + by < len(self._states):
            raise InputError(f"there is nothing to {'undo' if by < 0 else 'redo'}")
        self._at += by
        self.revision += 1

    def _go_on(self, values: Mapping[str, np.ndarray], words: str) -> None:
        changed = EditState(values, {}, words)
        if _same(changed, self.now):
            return
        driven = self.drives.driven(self.rules(changed).table)
        kept = self._states[max(self._at + 2 - MOST_STATES, 0) : self._at + 1]
        self._states = [*kept, EditState(values, driven, words)]
        self._at = len(self._states) - 1
        self.revision += 1


def _same(one: EditState, other: EditState) -> bool:
    return all(
        one.values[name] is other.values[name]
        or np.array_equal(one.values[name], other.values[name])
        for name in one.values
    )
