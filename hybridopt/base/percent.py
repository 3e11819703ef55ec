"""How far a value lies above a reference: the one formula behind every "above" and every gap."""

SMALLEST = 0.01  # g, references below count as this: a share of nothing has no meaning


def percent_above(value: float, reference: float) -> float:
    """Return how far a value lies above a reference, in % of the reference.

    Parameters
    ----------
    value, reference
        g, fuel or cost; a reference below :data:`SMALLEST` counts as that.

    Notes
    -----
    The gap is the cost above the proved bound, "above the optimum" is fuel above the optimum's fuel
    or cost above its cost. A controller's drive is first brought to the optimum's final state of
    charge, so all rows of a comparison share their references.
    """
    return 100.0 * float(value - reference) / max(float(reference), SMALLEST)
