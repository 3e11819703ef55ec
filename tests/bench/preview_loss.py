"""What the predictive controller loses over how far it foresees, in closed loop with its charge.

    python tests/bench/preview_loss.py [FOLDER]

Cost at equal SoC above the replayed optimum, %, and the end SoC off its target, in points, on the
training cycles, the unseen ones, and the drives (CSV files) of a folder, each of these with maps
made from the training cycles and the other drives. The last column knows when the drive ends.
Then the time of one decision.
"""

import sys
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from foresight import TRAINING, UNSEEN

from hybridopt import Preview, PreviewMaps, make_preview_maps, read_cycle, read_driveline
from hybridopt.evaluation.case import Case
from hybridopt.pipeline import find_optimum
from hybridopt.problem.settings import Settings

HORIZONS = (0.0, 1.0, 2.0, 3.0, 5.0, 10.0, 20.0, 60.0)


def solved(names: Sequence[str]) -> dict[str, Case]:
    """Return cycles with their optima."""
    driveline = read_driveline("full")
    settings = Settings().resolved(driveline)
    return {
        Path(name).stem: Case(find_optimum(read_cycle(name), driveline, settings)) for name in names
    }


def made(cases: Sequence[Case]) -> PreviewMaps:
    """Return maps made from the optima of cases."""
    return make_preview_maps([case.optimum for case in cases])


def driven(case: Case, controller: Preview) -> tuple[float, float]:
    """Return the loss of a controller, %, and its end SoC off the target, points."""
    drive = case.drive(controller)
    case = case.driven(drive)
    above = 100.0 * (case.equal_cost(drive) / case.optimum_cost - 1.0)
    return above, 100.0 * (drive.soc_end - case.optimum.settings.socs[3])


def show(title: str, cases: dict[str, Case], maps: dict[str, PreviewMaps]) -> None:
    """Print a line per cycle, then means and worst."""
    columns = [Preview(horizon=horizon) for horizon in HORIZONS]
    columns.append(Preview(horizon=10.0, destination=True))
    heads = [f"{c.horizon:g} s" + (", end" if c.destination else "") for c in columns]
    sys.stdout.write(f"{title:22}" + "".join(f"{head:>14}" for head in heads) + "\n")
    rows = []
    for name, case in cases.items():
        rows.append([driven(case, with_maps(c, maps[name])) for c in columns])
        cells = "".join(f"{f'{above:.2f} ({away:+.1f})':>14}" for above, away in rows[-1])
        sys.stdout.write(f"{name:22}{cells}\n")
        sys.stdout.flush()
    for word, what in (("mean", np.mean), ("worst", np.max)):
        found = what(np.abs(np.array(rows)), axis=0)
        cells = "".join(f"{f'{above:.2f} ({away:.1f})':>14}" for above, away in found)
        sys.stdout.write(f"{word:22}{cells}\n")


def with_maps(controller: Preview, maps: PreviewMaps) -> Preview:
    """Return a controller with maps."""
    return Preview(horizon=controller.horizon, destination=controller.destination, maps=maps)


def decision_time(case: Case, maps: PreviewMaps, horizon: float, repeats: int = 20) -> float:
    """Return the time of a step of the closed loop with preview, s."""
    controller, times = Preview(horizon=horizon, maps=maps), []
    for _ in range(repeats):
        begun = time.perf_counter()
        case.drive(controller)
        times.append(time.perf_counter() - begun)
    return min(times) / case.optimum.demand.steps


def main() -> None:
    """Print the tables."""
    training, unseen = solved(TRAINING), solved(UNSEEN)
    maps = made(list(training.values()))
    show("training", training, dict.fromkeys(training, maps))
    show("unseen", unseen, dict.fromkeys(unseen, maps))
    if len(sys.argv) > 1:
        real = solved([str(path) for path in sorted(Path(sys.argv[1]).glob("*.csv"))])
        others = {
            name: made([*training.values(), *(real[n] for n in real if n != name)]) for name in real
        }
        show("real, each left out", real, others)
    case = training["wltc_class3b"]
    for horizon in (0.0, 10.0, 60.0):
        seconds = decision_time(case, maps, horizon)
        sys.stdout.write(f"a step with {horizon:g} s of preview: {1e6 * seconds:.1f} us\n")


if __name__ == "__main__":
    main()
