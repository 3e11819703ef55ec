"""Numba kernels of the value between two nodes of oil temperature: a parabola that does not swing.

Straight lines blur V: a step that leads a small share of the way to the next node takes that share
of its value, so after many steps V is mixed over sqrt(width * way) kelvin. Between two nodes V is

    V_i + s (V_{i+1} - V_i) - s (1 - s) bend

with the share s and the bend by the smaller one of the second differences at both nodes, none where
their signs differ (the limiter called minmod). Beyond the last node V is level.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from ..base.compiled import kernel


@kernel(inline="always")
def _second(before, here, after, left, right):
    """Second divided difference of three values, `left` and `right` K apart."""
    return ((after - here) / right - (here - before) / left) / (left + right)


@kernel(inline="always")
def _bend(one, two, width):
    """Bend of a cell by the second differences at its ends; none where a value is infinite."""
    least = one if abs(one) < abs(two) else two
    if not (one * two > 0.0 and abs(least) < 1e300):
        return 0.0
    return least * width * width


@kernel(inline="always")
def _inner(node, nodes):
    """Return the number of the inner node nearest to a node; it has neighbours on both sides."""
    return min(max(node, 1), nodes - 2)
