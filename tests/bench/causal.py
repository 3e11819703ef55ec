"""What no controller without foresight can win, and what remembering more would win.

    python tests/bench/causal.py [DRIVE.csv ...]

The model of driving is estimated from the four training schedules and from drives given as files.
Drives drawn from it are driven with hindsight, with the best policy, with rule tables distilled
from the schedules by the defaults and from other drawn drives, and with a constant equivalence
factor. Then the model also remembers whether the acceleration fell, stayed or rose; the best policy
that knows it is compared with the one of the plain model, which does not, at a held price. Takes
some 15 minutes.
"""

import sys

import numpy as np
from foresight import TRAINING

from hybridopt import Equivalence, distil, limit_text, read_cycle, read_driveline
from hybridopt.foresight.causal import CausalOptimum
from hybridopt.foresight.limit import Share, causal_limit, mean_share
from hybridopt.foresight.model import drive_model

DRIVES, LENGTH, SEED = 60, 1200, 1
TABLES, DRAWN = "tables, four schedules", "tables, trained on drawn drives"
DRAWN_DRIVES, DRAWN_SEED, EVALUATIONS = 6, 1001, 3000


def as_known(ahead: np.ndarray, plain: CausalOptimum, richer: CausalOptimum) -> np.ndarray:
    """Return what a plain model's policy expects, for the states of a model that remembers more.

    States that the plain model lacks expect nothing.
    """
    pairs = zip(plain.chain.before.tolist(), plain.chain.after.tolist(), strict=True)
    place = {pair: i for i, pair in enumerate(pairs)}
    wanted = zip(richer.chain.before.tolist(), richer.chain.after.tolist(), strict=True)
    rows = np.array([place.get(pair, -1) for pair in wanted])
    return np.where((rows >= 0)[:, None, None], ahead[rows], 0.0)


def worth_of_memory(
    plain: CausalOptimum, richer: CausalOptimum, drives: int, length: int, seed: int
) -> tuple[Share, Share]:
    """Loss of the richer model's best policy, and how much more the plain model's loses there."""
    random, priced = np.random.default_rng(seed), richer.priced
    costs, policies = [], (richer.ahead, as_known(plain.ahead, plain, richer))
    for _ in range(drives):
        drive = richer.chain.draw(length, random)
        row = [priced.cost_to_go(drive, richer.end)[(0, *priced.start)]]
        for ahead in policies:
            done = priced.follow(ahead, drive, drive)
            row.append(done.cost + richer.end[int(done.engine_class[-1] != 0), done.gear[-1]])
        costs.append(row)
    hindsight, knowing, not_knowing = np.array(costs).T
    return mean_share(knowing - hindsight, hindsight), mean_share(not_knowing - knowing, hindsight)


def main() -> None:
    """Print the limit with its parts, and what remembering more is worth."""
    driveline = read_driveline("full")
    schedules = [read_cycle(name) for name in TRAINING]
    training = [*schedules, *map(read_cycle, sys.argv[1:])]
    model = drive_model(training, driveline)
    plain = model.optimum
    drawn = model.chain.draw_cycles(DRAWN_DRIVES, LENGTH, DRAWN_SEED)
    controllers = {
        TABLES: distil(schedules, driveline).rules.table,
        DRAWN: distil(drawn, driveline, evaluations=EVALUATIONS).rules.table,
        "equivalence": Equivalence(),
    }
    found = causal_limit(model, DRIVES, LENGTH, SEED, controllers)
    sys.stdout.write(limit_text(found, [(TABLES, DRAWN)]) + "\n\n")
    richer = drive_model(training, driveline, None, "jerk", plain.priced.price).optimum
    loss, more = worth_of_memory(plain, richer, 200, LENGTH, SEED)
    sys.stdout.write(
        f"with the trend of the acceleration remembered: {loss.percent:.2f} +- {loss.error:.2f} %; "
        f"who does not know it loses {more.percent:.2f} +- {more.error:.2f} % more\n"
    )


if __name__ == "__main__":
    main()
