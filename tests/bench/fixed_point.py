"""The oil temperature as a state against "solve, heat, solve": is the fixed point ever better?

    python tests/bench/fixed_point.py [AMBIENT_C ...] [--cycles NAME ...] [--rounds N] [--warm]

For each shipped cycle and air temperature: the optimum with the temperature as a state; then the
optimum at given temperatures, driven in closed loop at the temperatures that it makes itself, and
solved again at those, round after round. It begins at the temperatures of the state's optimum, or
with `--warm` at those of the warm schedule. Costs are compared at equal SoC, by the median costate
along the optimum. Exit code 1 where any round is better.
"""

import argparse
import dataclasses
import sys
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from hybridopt import Settings, read_cycle, read_driveline
from hybridopt.controllers.builtin import Playback
from hybridopt.controllers.closed_loop import ClosedLoop, Drive
from hybridopt.inputs.catalogue import cycle_names
from hybridopt.optimum.optimum import Optimum
from hybridopt.physics.demand import Demand
from hybridopt.pipeline import Prepared, find_optimum, solve_prepared
from hybridopt.problem.choices import list_choices

STILL = 0.05  # K by which no step's temperature changes any more
SAME = 1e-6  # of the cost, by which a round may be better


class Round(NamedTuple):
    """A solve at given temperatures, driven at those it makes.

    Attributes
    ----------
    cost : g at the final SoC of the state's optimum
    on : s with the engine on
    moved : K by which the temperatures changed most
    """

    cost: float
    on: float
    moved: float


def rounds(known: Optimum, demand: Demand, most: int) -> Iterator[Round]:
    """Solve at temperatures, drive, solve at the temperatures made, until these stay."""
    driveline, settings = known.driveline, known.settings
    loop = ClosedLoop(driveline, known.demand, settings)
    given = dataclasses.replace(
        settings, ambient_temperature=None, oil_temperature_start=None, stop_oil_temperature=None
    )
    for _ in range(most):
        points = list_choices(driveline, demand, settings.splits, settings.memory_limit)
        found = solve_prepared(known.cycle, driveline, given, Prepared(demand, points))
        drive = loop.run(Playback(schedule=found.solution.schedule))
        moved = float(np.abs(drive.demand.oil_temperature - demand.oil_temperature).max())
        yield Round(equal_cost(known, drive), seconds_on(known, drive), moved)
        if moved < STILL:
            return
        demand = drive.demand


def equal_cost(known: Optimum, drive: Drive) -> float:
    """Return the cost of a drive at the optimum's final SoC, g."""
    price = float(np.median(known.solution.costate))  # the last one is 0 at the target's kink
    return drive.cost + float(known.solution.run.soc[-1] - drive.soc_end) * price


def seconds_on(known: Optimum, drive: Drive) -> float:
    """Return for how long the engine is on, s."""
    return float(known.demand.dt[drive.schedule.engine_class > 0].sum())


def warm_temperatures(known: Optimum) -> Demand:
    """Return the demand at the temperatures that the optimum of a warm engine makes."""
    warm = dataclasses.replace(
        known.settings,
        ambient_temperature=None,
        oil_temperature_start=None,
        stop_oil_temperature=None,
    )
    found = find_optimum(known.cycle, known.driveline, warm, bound=False, keep_value=False)
    loop = ClosedLoop(known.driveline, known.demand, known.settings)
    return loop.run(Playback(schedule=found.solution.schedule)).demand


def compared(name: str, settings: Settings, most: int, warm: bool) -> tuple[str, bool]:
    """Return a row of the table, and whether a fixed point is better than the optimum."""
    known = find_optimum(read_cycle(name), read_driveline("winter"), settings, bound=False)
    cost = known.solution.cost
    on = float(known.demand.dt[known.trace.engine_on.values == 1].sum())
    made = list(rounds(known, warm_temperatures(known) if warm else known.demand, most))
    best, last = min(one.cost for one in made), made[-1]
    above, least = (100.0 * (x / cost - 1.0) for x in (last.cost, best))
    first = f"| `{name}` | {settings.ambient_temperature:g} | {cost:.2f} | {on:.0f}"
    row = (
        f"{first} | {last.on:.0f} | {above:+.3f} | {least:+.3f} | {len(made)} | {last.moved:.2f} |"
    )
    return row, best < cost * (1.0 - SAME)


COLUMNS = (
    "cycle",
    "air, C",
    "optimum, g",
    "engine on, s",
    "at the fixed point, s",
    "above the optimum, %",
    "best round, %",
    "rounds",
    "moved last, K",
)
HEAD = f"| {' | '.join(COLUMNS)} |\n{'|---' * len(COLUMNS)}|\n"


def main() -> int:
    """Print the table; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("ambient", nargs="*", type=float, default=[20.0, -7.0], metavar="AMBIENT_C")
    parser.add_argument("--cycles", nargs="*", default=list(cycle_names()))
    parser.add_argument("--rounds", type=int, default=8)
    parser.add_argument("--nodes", type=int, default=8, help="of temperature")
    parser.add_argument("--warm", action="store_true", help="begin at the warm schedule's")
    options = parser.parse_args()
    better = []
    sys.stdout.write(HEAD)
    for name in options.cycles:
        for ambient in options.ambient:
            settings = Settings(ambient_temperature=ambient, temperature_nodes=options.nodes)
            row, wrong = compared(name, settings, options.rounds, options.warm)
            sys.stdout.write(row + "\n")
            sys.stdout.flush()
            better += [name] if wrong else []
    return 1 if better else 0


if __name__ == "__main__":
    sys.exit(main())
