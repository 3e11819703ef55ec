"""What rule tables lose on drives that they were not trained on, with the distillation's defaults.

    python tests/bench/tables_unseen.py
    python tests/bench/tables_unseen.py --schedules
    python tests/bench/tables_unseen.py --left-out --evaluations 2000 drive1.csv drive2.csv

Tables of the shipped training, four schedules and the recorded drives, are driven on it, on four
schedules that they never saw, and on further drives that are given as files. With --schedules the
training is the four schedules alone, and the recorded drives are unseen too. With --left-out each
of the shipped drives is then driven with tables of the training without it. All figures are of the
closed loop, at equal SoC above the replayed optimum.
"""

import argparse
import sys
import time
from collections.abc import Sequence

import numpy as np
from foresight import UNSEEN

from hybridopt import read_cycle, read_driveline
from hybridopt.distillation.distil import distil, training_names
from hybridopt.distillation.verify import VerifiedDrive, verify
from hybridopt.foresight.preview_maps import TRAINING
from hybridopt.inputs.catalogue import DRIVE, cycle_names
from hybridopt.inputs.cycle import Cycle

HEAD = (
    "| cycle | loss, % | starts, optimum's | shifts | gears held 2 s or less | end SoC off, % |\n"
    "| --- | ---: | ---: | ---: | ---: | ---: |"
)
BRIEF = 2.0  # s


def loss(check: VerifiedDrive) -> float:
    """Cost at equal SoC above the optimum's, %; NaN where it could not be driven."""
    return check.score.cost_above_optimum_percent if check.score else np.nan


def starts(check: VerifiedDrive) -> float:
    """Engine starts over the optimum's."""
    return check.score.starts / max(check.optimum_starts, 1) if check.score else np.nan


def held(check: VerifiedDrive) -> np.ndarray:
    """How long each gear between two shifts was held, s; none where it could not be driven."""
    if check.score is None:
        return np.empty(0)
    gear, dt = check.score.trace.gear.values, check.score.trace.dt.values
    ends = np.flatnonzero(np.diff(gear)) + 1
    return np.add.reduceat(dt, ends)[:-1] if ends.size else np.empty(0)


def row(check: VerifiedDrive, target: float) -> str:
    """Return a drive as a line of a Markdown table."""
    if check.score is None:
        return f"| {check.cycle} | {check.failure} | | | | |"
    found, off = check.score, 100.0 * (check.score.soc_end - target)
    lacking = " (power was lacking)" if found.shortfall else ""
    return (
        f"| {check.cycle}{lacking} | {loss(check):.2f} | {found.starts} of {check.optimum_starts} "
        f"| {found.shifts} | {np.count_nonzero(held(check) <= BRIEF + 1e-6)} | {off:+.1f} |"
    )


def block(title: str, checks: Sequence[VerifiedDrive], target: float) -> str:
    """Return the table of some drives with their mean and worst."""
    losses, ratio = [loss(check) for check in checks], [starts(check) for check in checks]
    last = (
        f"| mean | {np.nanmean(losses):.2f} | {np.nanmean(ratio):.2f} times | | | |\n"
        f"| worst | {np.nanmax(losses):.2f} | {np.nanmax(ratio):.2f} times | | | |"
    )
    return "\n".join([f"## {title}\n", HEAD, *(row(check, target) for check in checks), last, ""])


def main() -> None:
    """Train, drive and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("drives", nargs="*", help="further recorded drives (.csv)")
    parser.add_argument("--left-out", action="store_true")
    parser.add_argument("--schedules", action="store_true")
    parser.add_argument("--evaluations", type=int, default=8000)
    given = parser.parse_args()
    driveline, target = read_driveline("full"), 0.6
    sets = (training_names(), (*UNSEEN, *given.drives))
    if given.schedules:
        sets = TRAINING, (*UNSEEN, *cycle_names(DRIVE), *given.drives)
    training, unseen = ([read_cycle(name) for name in names] for names in sets)

    def driven(trained_on: Sequence[Cycle], tried: Sequence[Cycle]) -> list[VerifiedDrive]:
        made = distil(trained_on, driveline, evaluations=given.evaluations)
        return verify(made.rules, tried, driveline)

    begin = time.process_time()
    checks = driven(training, [*training, *unseen])
    seconds = time.process_time() - begin
    for title, part in (("Training", checks[: len(training)]), ("Unseen", checks[len(training) :])):
        sys.stdout.write(block(title, part, target) + "\n")
    sys.stdout.write(f"{seconds:.0f} s of processor time, verification included\n\n")
    sys.stdout.flush()
    left = []
    for out in training if given.left_out else ():
        if out.name in cycle_names(DRIVE):
            left += driven([drive for drive in training if drive is not out], [out])
            sys.stdout.write(row(left[-1], target) + "\n")
            sys.stdout.flush()
    if left:
        sys.stdout.write("\n" + block("Recorded drives, each left out", left, target))


if __name__ == "__main__":
    main()
