"""All figures of a run, what is measured for them, and which of them miss their target."""

import dataclasses
import os
import platform
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

from instances import Instance, point_splits
from libraries import Comparison, Skipped, compare_libraries
from limits import Limits, measured_limits
from peak import IDLE, measured_peak
from stages import BOUND, WHOLE, Growth, growth, stage_timings
from sweeps import DENSE, NUMPY, TOLERANCE, compare_sweeps, largest_difference
from timing import Timing

GB = 1e9
DEFAULT_SOLVE, LONG_DRIVE = "solve", "solve, 36,000 steps"
CORRIDOR = "SoC points in a corridor"


@dataclasses.dataclass(frozen=True)
class Plan:
    """What is measured: instances, sizes and repeats.

    Attributes
    ----------
    instance : the one whose sweeps and stages are compared
    repeats, slow_repeats : of our sweeps and solves, and of the exhaustive and library ones
    sizes : by axis, an instance for each size
    peaks : what is measured for its memory: words, work, instance
    discrete, continuous : instances for the libraries
    """

    instance: Instance
    repeats: int
    slow_repeats: int
    sizes: dict[str, dict[int, Instance]]
    peaks: list[tuple[str, str, Instance]]
    discrete: Instance
    continuous: Instance


@dataclasses.dataclass(frozen=True)
class Figures:
    """What came out.

    Attributes
    ----------
    machine : in words
    instance : what was swept, in words
    point_splits : admissible splits times SoC points of it
    sweeps : exhaustive ones first, the default one last
    difference : largest relative difference of any sweep's value
    stages : of the default solve, the whole of it last
    growths : over steps, SoC points, splits, gears
    limits : of the machine, and the sweep's share
    libraries : comparisons
    peaks : bytes by what was done
    """

    machine: str
    instance: str
    point_splits: int
    sweeps: list[Timing]
    difference: float
    stages: list[Timing]
    growths: list[Growth]
    limits: Limits
    libraries: list[Comparison | Skipped]
    peaks: dict[str, float]

    def wrong(self) -> list[str]:
        """Return what is wrong with the values, in words; times and sizes don't count."""
        said = []
        if not self.difference <= TOLERANCE:
            said.append(f"the sweeps' values differ by {self.difference:.1e} (relative)")
        for item in self.libraries:
            if isinstance(item, Comparison) and not item.agrees:
                said.append(f"{item.library}: {item.agreement}")
        return said

    def ratios(self) -> list[tuple[str, str, float]]:
        """Return each NumPy sweep's time over that of our sweep, and of a solve without bound."""
        stages = {timing.name: timing.median for timing in self.stages}
        ours = (("sweep", self.sweeps[-1].median), ("solve", stages[WHOLE] - stages[BOUND]))
        theirs = [timing for timing in self.sweeps if timing.name in (DENSE, NUMPY)]
        return [(t.name, what, t.median / seconds) for t in theirs for what, seconds in ours]

    def targets(self) -> list[tuple[str, str, bool]]:
        """Return each target of the default problem, what was measured, and whether it is met."""
        stages = {timing.name: timing.median for timing in self.stages}
        solve = stages[WHOLE] - stages[BOUND]
        exponents = {g.axis: g.solve_exponent for g in self.growths}
        default, long = (self.peaks[name] / GB for name in (DEFAULT_SOLVE, LONG_DRIVE))
        return [
            ("solve without bound at most 0.5 s", f"{solve:.2f} s", solve <= 0.5),
            ("solve with bound at most 1 s", f"{stages[WHOLE]:.2f} s", stages[WHOLE] <= 1.0),
            *(
                (f"100 times as fast as {name}: {what}", f"{ratio:.0f}", ratio >= 100.0)
                for name, what, ratio in self.ratios()
            ),
            ("all sweeps equal to 1e-9", f"{self.difference:.0e}", self.difference <= TOLERANCE),
            *(
                (
                    f"exponent over {axis} at most 1.05",
                    f"{exponents[axis]:.2f}",
                    exponents[axis] <= 1.05,
                )
                for axis in ("steps", "SoC points")
            ),
            ("default solve within 0.4 GB", f"{default:.2f} GB", default <= 0.4),
            ("long drive within 1.5 GB", f"{long:.2f} GB", long <= 1.5),
        ]


def full_plan() -> Plan:
    """Return what a quiet machine measures in some 20 minutes."""
    default = Instance("wltc_class3b")
    discrete = Instance("ece15", gears=3, settings={"soc_points": 101, "splits": 15})
    continuous = _one_interval("wltc_class3b_low")
    drive = Instance("wltc_class3b", steps=36_000)
    fine = Instance("wltc_class3b", settings={"soc_points": 8001})
    narrow = Instance("wltc_class3b", settings={"soc_points": 8001, "corridor": True})
    return Plan(
        instance=default,
        repeats=7,
        slow_repeats=3,
        sizes=_sizes(
            "wltc_class3b",
            {
                "steps": [600, 1800, 6000, 18_000, 36_000],
                "SoC points": [251, 501, 1001, 2001, 4001, 8001],
                CORRIDOR: [1001, 2001, 4001, 8001],
                "splits": [31, 61, 121],
                "gears": [3, 4, 6, 8],
            },
        ),
        peaks=[
            ("idle process", IDLE, default),
            (DEFAULT_SOLVE, "solve", default),
            ("sweep", "pruned", default),
            ("sweep, not pruned", "not pruned", default),
            ("sweep, plain numba loops", "plain", default),
            ("sweep, NumPy arrays", "numpy", default),
            ("solve, 8,001 SoC points", "solve", fine),
            ("solve, 8,001 SoC points, corridor", "solve", narrow),
            (LONG_DRIVE, "solve", drive),
            ("QuantEcon, small instance", "quantecon", discrete),
            ("CasADi, small instance", "casadi", continuous),
        ],
        discrete=discrete,
        continuous=continuous,
    )


def small_plan() -> Plan:
    """Return what runs in a minute: the same kinds of figures on small instances."""
    default = Instance("ece15", settings={"soc_points": 251, "splits": 21})
    drive = Instance("ece15", steps=1200, settings={"memory_limit": 8e7})
    return Plan(
        instance=default,
        repeats=1,
        slow_repeats=1,
        sizes=_sizes(
            "ece15",
            {
                "steps": [100, 300],
                "SoC points": [101, 301],
                CORRIDOR: [101, 301],
                "splits": [31, 61],
                "gears": [3, 8],
            },
        ),
        peaks=[
            ("idle process", IDLE, default),
            (DEFAULT_SOLVE, "solve", default),
            ("solve, 1,200 steps, memory limit 0.08 GB", "solve", drive),
        ],
        discrete=Instance("ece15", 60, 3, {"soc_points": 51, "splits": 15}),
        continuous=_one_interval("ece15"),
    )


def _one_interval(cycle: str) -> Instance:
    """SoC window of one interval of the demo battery's table, see relaxation.py."""
    return Instance(cycle, settings={"soc_min": 0.6, "soc_max": 0.65, "soc_start": 0.625})


def _sizes(cycle: str, sizes: dict[str, list[int]]) -> dict[str, dict[int, Instance]]:
    ways: dict[str, Callable[[int], Instance]] = {
        "steps": lambda n: Instance(cycle, steps=n),
        "SoC points": lambda n: Instance(cycle, settings={"soc_points": n}),
        CORRIDOR: lambda n: Instance(cycle, settings={"soc_points": n, "corridor": True}),
        "splits": lambda n: Instance(cycle, settings={"splits": n}),
        "gears": lambda n: Instance(cycle, gears=n),
    }
    return {axis: {n: ways[axis](n) for n in counts} for axis, counts in sizes.items()}


def measured(plan: Plan, said: Callable[[str], None]) -> Figures:
    """Measure everything; `said` is told what comes next."""
    said("peak memory")
    peaks = {}
    for words, work, instance in plan.peaks:
        if work in ("quantecon", "casadi") and find_spec(work) is None:
            continue
        peaks[words] = measured_peak(work, instance)
    said("sweeps")
    problem = plan.instance.problem()
    compare_sweeps(Instance("ece15", 20, settings=plan.instance.settings).problem(), 1, 1)
    sweeps = compare_sweeps(problem, plan.repeats, plan.slow_repeats)
    said("machine limits")
    limits = measured_limits(problem, plan.repeats)
    said("stages")
    stage_timings(Instance("ece15", 20), 1)
    stages = stage_timings(plan.instance, plan.repeats)
    said("growth")
    growths = [growth(axis, sizes, plan.slow_repeats) for axis, sizes in plan.sizes.items()]
    said("libraries")
    libraries = compare_libraries(plan.discrete, plan.continuous, plan.slow_repeats)
    return Figures(
        machine=_machine(),
        instance=(
            f"{plan.instance.cycle}, {problem.points.steps} steps, {problem.grid.points} SoC "
            f"points, {problem.points.gears} gears, {problem.settings.splits} splits"
        ),
        point_splits=point_splits(problem),
        sweeps=[timing.bare() for timing in sweeps],
        difference=largest_difference(sweeps),
        stages=[timing.bare() for timing in stages],
        growths=growths,
        limits=limits,
        libraries=libraries,
        peaks=peaks,
    )


def _machine() -> str:
    info = Path("/proc/cpuinfo")
    lines = info.read_text().splitlines() if info.exists() else []
    names = [line.split(":")[1].strip() for line in lines if line.startswith("model name")]
    name = names[0] if names else platform.processor() or platform.machine()
    return f"{os.cpu_count()} cores, {name}"
