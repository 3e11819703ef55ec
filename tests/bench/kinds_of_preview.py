"""Loss of the predictive controller over the seconds it sees, by kind of preview, as Markdown.

    python tests/bench/kinds_of_preview.py [DRIVE.csv ...]

On the training cycles, on each of them left out of the training, on four unseen cycles and on the
drives that are given. Beside the closed loop stands the yardstick at a held price of stored energy
(`foresight/priced_preview.py`), and how long the command's four cycles take.
"""

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from foresight import TRAINING, UNSEEN
from tables import table

from hybridopt import Cycle, ForesightWorth, foresight_worth, read_cycle, read_driveline
from hybridopt.base.units import PERCENT
from hybridopt.evaluation.foresight_worth import HORIZONS, PRICE_HELD
from hybridopt.foresight.predictions import PREDICTIONS


def loss_rows(worth: ForesightWorth, title: str, kinds: tuple[str, ...]) -> list[list[str]]:
    """Return rows of the table: each cycle with exact preview, then means of all kinds."""
    rows = [[name, *_cells(losses)] for name, losses in worth.losses("exact").items()]
    rows += [[f"{title}, mean, {kind}", *_cells(worth.mean(kind))] for kind in kinds]
    exact = [row for row in worth.rows if row.preview == "exact"]
    target = worth.settings.socs[3]
    off = [
        max(abs(row.soc_end - target) for row in exact if row.horizon == horizon) / PERCENT
        for horizon in worth.horizons
    ]
    worst = np.max(list(worth.losses("exact").values()), axis=0)
    rows.append([f"{title}, worst, exact", *_cells(worst)])
    rows.append([f"{title}, SoC off target at most, points", *_cells(off)])
    return rows


def _cells(values: "list[float] | np.ndarray") -> list[str]:
    return [f"{value:.2f}" for value in values]


def main(drives: list[str]) -> None:
    """Print the tables."""
    full = read_driveline("full")
    kinds = ("exact", PRICE_HELD, *(kind for kind in PREDICTIONS if kind != "exact"))
    groups: list[tuple[str, list[Cycle], bool]] = [
        ("training", [read_cycle(name) for name in TRAINING], False),
        ("left out in turn", [read_cycle(name) for name in TRAINING], True),
        ("unseen", [read_cycle(name) for name in UNSEEN], False),
    ]
    if drives:
        groups.append(("given", [read_cycle(name) for name in drives], False))
    rows = []
    for title, cycles, left_out in groups:
        worth = foresight_worth(cycles, full, previews=tuple(PREDICTIONS), leave_out=left_out)
        rows += loss_rows(worth, title, kinds)
        for failure in worth.failures:
            sys.stderr.write(f"{failure.cycle}, {failure.controller}: {failure.reason}\n")
    head = ["loss, %, over the seconds seen", *(f"{horizon:g}" for horizon in HORIZONS)]
    sys.stdout.write(table(head, rows) + "\n")
    began = time.perf_counter()
    foresight_worth(groups[2][1], full)
    spent = time.perf_counter() - began
    sys.stdout.write(f"\nfour cycles, exact, all horizons: {spent:.0f} s\n")


if __name__ == "__main__":
    main(sys.argv[1:])
