"""General libraries on instances that they can hold: QuantEcon, CasADi with IPOPT."""

import dataclasses
from importlib.util import find_spec
from typing import Any

from discrete import discrete_sweep
from instances import Instance
from relaxation import relaxed_cost
from sweeps import TOLERANCE, difference, ours
from timing import Task, timed

from hybridopt.pipeline import find_optimum

SLACK = 1e-7  # relative, ten times IPOPT's tolerance


@dataclasses.dataclass(frozen=True)
class Comparison:
    """A library against the package on one instance.

    Attributes
    ----------
    library : name and version
    task : what both did
    theirs, ours : s
    agreement : what came out, in words
    agrees : whether that is as it must be
    """

    library: str
    task: str
    theirs: float
    ours: float
    agreement: str
    agrees: bool


@dataclasses.dataclass(frozen=True)
class Skipped:
    """A library that is not there."""

    library: str
    reason: str


def compare_libraries(
    discrete: Instance, continuous: Instance, repeats: int
) -> list[Comparison | Skipped]:
    """Compare with every library that can be imported."""
    comparisons: list[Comparison | Skipped] = []
    for name, compare, instance in (
        ("quantecon", compare_discrete, discrete),
        ("casadi", compare_relaxation, continuous),
    ):
        if find_spec(name) is None:
            reason = 'not installed; python -m pip install ".[bench]" brings it'
            comparisons.append(Skipped(name, reason))
        else:
            comparisons.append(compare(instance, repeats))
    return comparisons


def compare_discrete(instance: Instance, repeats: int) -> Comparison:
    """Compare the backward sweep with QuantEcon's on all SoC points: the same value."""
    import quantecon

    problem = instance.problem()
    ours(problem, True, True, None)
    theirs, own = timed(
        [
            Task("theirs", lambda: discrete_sweep(problem), repeats),
            Task("ours", lambda: ours(problem, True, True, None), max(repeats, 5)),
        ]
    )
    gap = difference(theirs.answer, own.answer)
    return Comparison(
        library=f"QuantEcon {quantecon.__version__}, DiscreteDP",
        task=f"sweep: {_size(instance, problem)}",
        theirs=theirs.median,
        ours=own.median,
        agreement=f"values differ by {gap:.0e} at most (relative)",
        agrees=gap <= TOLERANCE,
    )


def compare_relaxation(instance: Instance, repeats: int) -> Comparison:
    """Compare a solve with CasADi's relaxation of it: between the bound and the cost."""
    import casadi

    solved = find_optimum(*instance.parts())
    theirs, own = timed(
        [
            Task("theirs", lambda: relaxed_cost(solved), repeats),
            Task("ours", lambda: find_optimum(*instance.parts()), repeats),
        ]
    )
    solved = own.answer
    assert solved.bound is not None
    bound, relaxed, cost = solved.bound.bound, theirs.answer, solved.solution.cost
    size = _size(instance, solved.solution.problem)
    return Comparison(
        library=f"CasADi {casadi.__version__}, IPOPT",
        task=f"solve, given our gears and engine states: {size}",
        theirs=theirs.median,
        ours=own.median,
        agreement=f"bound {bound:.4f} g, relaxation {relaxed:.4f} g, our cost {cost:.4f} g",
        agrees=bound * (1.0 - SLACK) <= relaxed <= cost * (1.0 + SLACK),
    )


def _size(instance: Instance, problem: Any) -> str:
    points = problem.points
    return (
        f"{instance.cycle}, {points.steps} steps, {problem.grid.points} SoC points, "
        f"{points.gears} gears, {points.splits} splits"
    )
