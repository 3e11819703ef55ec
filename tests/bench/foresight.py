"""What foresight is worth: how much is lost by expecting what usually follows.

    python tests/bench/foresight.py

Prices of stored energy are held, so each cycle is a shortest path over engine state and gear. It is
compared with a policy that takes, at the same price and with the best split, the decision with the
least cost and expected cost-to-go, where the expectation is the mean of what followed in the
training at about the same speed and acceleration (`foresight/expected_cost.py`). It is a
yardstick for rule tables, which look at speed, wheel power and charge, and no bound: another
grouping of what was seen may lose less, and tables tuned to a cycle may know it by heart.
"""

import sys
from collections.abc import Sequence

import numpy as np

from hybridopt import read_cycle, read_driveline
from hybridopt.foresight.expected_cost import make_expected_cost
from hybridopt.foresight.held_price import held_price
from hybridopt.foresight.preview_maps import TRAINING
from hybridopt.foresight.priced_preview import priced_losses
from hybridopt.optimum.optimum import Optimum
from hybridopt.pipeline import find_optimum
from hybridopt.problem.settings import Settings

UNSEEN = ("udds", "hwfet", "nedc", "wltc_class2")


def losses(training: Sequence[Optimum], tried: Sequence[Optimum]) -> list[float]:
    """Loss on each tried cycle, at its own price, of expecting what followed in the training, %."""
    expected = make_expected_cost(training, np.array([held_price(training)]))
    return [priced_losses(known, expected, held_price([known]), [0.0])[0] for known in tried]


def main() -> None:
    """Print the losses on training, unseen and left-out cycles."""
    driveline = read_driveline("full")
    settings = Settings().resolved(driveline)
    known = {
        name: find_optimum(read_cycle(name), driveline, settings) for name in (*TRAINING, *UNSEEN)
    }
    training, unseen = ([known[name] for name in names] for names in (TRAINING, UNSEEN))
    left = [losses([b for b in training if b is not out], [out])[0] for out in training]
    for words, names, found in (
        ("training", TRAINING, losses(training, training)),
        ("left out in turn", TRAINING, left),
        ("unseen", UNSEEN, losses(training, unseen)),
    ):
        each = ", ".join(f"{name} {loss:.2f}" for name, loss in zip(names, found, strict=True))
        sys.stdout.write(f"{words}: {each}; mean {np.mean(found):.2f} %\n")


if __name__ == "__main__":
    main()
