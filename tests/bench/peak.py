"""Peak memory of a piece of work, measured in a process of its own.

As a program it does one piece of work, given as JSON, and prints the peak of its resident memory.
"""

import dataclasses
import json
import resource
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from instances import Instance

IDLE = "idle"


def measured_peak(work: str, instance: Instance) -> float:
    """Return the peak resident memory, bytes, of a fresh process that does a piece of work.

    Raises
    ------
    RuntimeError
        The process failed; the message holds what it said.
    """
    task = json.dumps({"work": work, **dataclasses.asdict(instance)})
    done = subprocess.run([sys.executable, __file__, task], capture_output=True, text=True)
    if done.returncode:
        raise RuntimeError(f"peak memory of {work}: {done.stderr.strip()}")
    return float(done.stdout.splitlines()[-1])


def own_peak() -> float:
    """Return the peak resident memory of this process, bytes.

    Linux: VmHWM, since `ru_maxrss` of a child begins at what its parent held when it was started.
    """
    status = Path("/proc/self/status")
    if status.exists():
        line = next(x for x in status.read_text().splitlines() if x.startswith("VmHWM"))
        return 1024.0 * float(line.split()[1])
    unit = 1 if sys.platform == "darwin" else 1024
    return float(unit * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)


def works() -> dict[str, Callable[[Instance], Any]]:
    """Return what can be measured, by name; everything is imported in any case."""
    from discrete import discrete_sweep
    from exhaustive import numpy_sweep, plain_sweep
    from relaxation import relaxed_cost
    from stages import solved
    from sweeps import ours

    from hybridopt.pipeline import find_optimum

    return {
        IDLE: lambda instance: None,
        "solve": lambda instance: solved(instance).result(),
        "numpy": lambda instance: numpy_sweep(instance.problem()),
        "plain": lambda instance: plain_sweep(instance.problem()),
        "pruned": lambda instance: ours(instance.problem(), True, False, None),
        "not pruned": lambda instance: ours(instance.problem(), False, False, None),
        "quantecon": lambda instance: discrete_sweep(instance.problem()),
        "casadi": lambda instance: relaxed_cost(find_optimum(*instance.parts())),
    }


def main(text: str) -> None:
    """Do a piece of work and print the peak."""
    task = json.loads(text)
    work = works()[task.pop("work")]
    work(Instance(**task))
    sys.stdout.write(f"{own_peak():.0f}\n")


if __name__ == "__main__":
    main(sys.argv[1])
