"""What cells are worth, worked out beside the page of rule tables under edit."""

from collections.abc import Mapping
from threading import Thread
from typing import Any

import numpy as np

from ..base.errors import HybridoptError
from ..distillation.cell_worth import CellWorth, worth_of_cells
from ..distillation.drive_figures import DriveFigures
from ..evaluation.case import Case
from ..tables.cell_place import cell_place
from ..tables.rule_set import RuleSet

MOST = 12  # cells of the ranked list
COST = DriveFigures._fields.index("cost_equal_g")


class _Ended(Exception):
    """The worth is no longer wanted."""


class WorthJob:
    """A thread that works out what the cells of some tables are worth.

    Attributes
    ----------
    revision : of the tables
    done : share done, 0 to 1
    found : the worth, None until it is there
    fault : why there is none
    """

    def __init__(
        self,
        revision: int,
        rule_set: RuleSet,
        cases: Mapping[str, Case],
        steps: Mapping[str, float],
    ) -> None:
        self.revision, self.done, self.fault = revision, 0.0, ""
        self.found: CellWorth | None = None
        self._wanted = True
        Thread(target=self._work, args=(rule_set, cases, steps), daemon=True).start()

    def end(self) -> None:
        """Stop working."""
        self._wanted = False

    def _work(
        self, rule_set: RuleSet, cases: Mapping[str, Case], steps: Mapping[str, float]
    ) -> None:
        try:
            self.found = worth_of_cells(rule_set, cases, steps, self._tell)
        except _Ended:
            self.fault = "the tables were changed meanwhile"
        except HybridoptError as error:
            self.fault = str(error)
        except Exception as error:  # a thread has nobody else to tell
            self.fault = f"it could not be worked out ({type(error).__name__})"

    def _tell(self, done: float) -> None:
        if not self._wanted:
            raise _Ended
        self.done = done


def worth_message(job: WorthJob) -> dict[str, Any]:
    """Return how far a worth is, and what it says, for the page."""
    message: dict[str, Any] = {"of": job.revision, "done": round(job.done, 3), "fault": job.fault}
    worth = job.found
    if worth is None:
        return message
    tables = {}
    for name, table in worth.tables.items():
        reached = table.seconds > 0.0
        cost = np.where(reached, table.per_unit[..., COST], np.nan)
        tables[name] = {
            "cost": nested(cost, 5),
            "share": nested(100.0 * table.seconds / worth.duration, 3),
        }
    rows = [
        {
            "table": row.table,
            "cell": list(row.cell),
            "place": cell_place(worth.rule_set, row.table, row.cell),
            "step": row.step,
            "unit": worth.rule_set.form.value(row.table).file_unit,
            "cost": round(row.change.cost_equal_g, 3),
            "starts": row.change.starts,
        }
        for row in worth.ranked()[:MOST]
        if row.change.cost_equal_g < 0.0
    ]
    return message | {"tables": tables, "rows": rows}


def nested(values: np.ndarray, digits: int) -> Any:
    """Return rounded values as nested lists, None for what is no number."""
    rounded = np.round(values, digits) + 0.0
    listed = rounded.astype(object)
    listed[~np.isfinite(rounded)] = None
    return listed.tolist()
