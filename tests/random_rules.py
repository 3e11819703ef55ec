"""Random rule tables of any size within what files may hold."""

import numpy as np
from rule_tables import TRAINING

from hybridopt.controllers.maps import Map
from hybridopt.tables.rule_form import BY_GEAR, CONSTANTS, RULES
from hybridopt.tables.rule_set import Origin, RuleSet

SPAN = 1e4  # of values that the form bounds by a slip of the keyboard only, in the unit of files


def random_rules(seed):
    """Return rule tables with random sizes, axes, values and constants; some axes are shared."""
    random = np.random.default_rng(seed)
    gears = int(random.integers(1, 11))
    drawn = {}

    def axis(quantity):
        """Draw an axis, or take one that was drawn before."""
        if quantity.name in drawn and random.random() < 0.5:
            return drawn[quantity.name]
        low, high = max(quantity.low, -SPAN), min(quantity.high, SPAN)
        points = np.unique(random.uniform(low, high, random.integers(1, 7)).astype(np.float32))
        drawn[quantity.name] = points.astype(float) * quantity.factor
        return drawn[quantity.name]

    maps = {}
    for name in RULES.layout:
        axes = tuple(axis(quantity) for quantity in RULES.axes(name))
        values = random.uniform(-SPAN, SPAN, [len(points) for points in axes])
        maps[name] = Map(axes, values * RULES.value(name).factor)
    constants = {
        name: random.uniform(q.low, q.high, gears if name in BY_GEAR else 1) * q.factor
        for name, q in CONSTANTS.items()
    }
    speeds = "idle_speed", "highest_speed"
    low, high = sorted(constants[name][0] for name in speeds)
    constants |= {"idle_speed": np.array([low]), "highest_speed": np.array([high])}
    origin = Origin(f"random {seed}", "plain", ("udds",), TRAINING, "0.1.0")
    return RuleSet.made(origin, constants, maps)
