"""`hybridopt solve`: the least-fuel schedule of one driveline over one cycle."""

import json
import math
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..base.errors import InputError
from ..base.warning import InputWarning
from ..files.writing import file_stem
from .options import (
    Output,
    check_file,
    driveline_option,
    finish,
    flag_option,
    output_options,
    path_option,
    refuse_idle,
)
from .progress_bar import progress_bar
from .settings_options import make_settings, settings_options
from .tracks import achievable_option, read_tracks

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ..files.writing import Write
    from ..inputs.cycle import Cycle
    from ..inputs.driveline import Driveline
    from ..optimum.optimum import Optimum
    from ..optimum.result import Result
    from ..problem.settings import Settings

LONG_WORK = 3e8  # bytes of cost-to-go and operating points, about a second of work
EXAMPLES = """\b
Examples:
  hybridopt solve
  hybridopt solve udds --driveline mild --out results
  hybridopt solve udds --certificate udds.npz
  hybridopt solve drive.csv --terminal target --soc-target-percent 55 --json
"""
WIDE_GAP = 10.0  # %, above which a schedule says little; common practice, no source
SUFFIXES = (".nc", ".csv", ".png")


@click.command(short_help="Find the least-fuel schedule over a cycle.", epilog=EXAMPLES)
@click.argument("cycle", default="wltc_class3b")
@driveline_option
@output_options("Write traces (.nc, .csv) and a plot (.png) there.")
@achievable_option
@flag_option("--no-bound", "Skip the proved lower limit of the cost.")
@flag_option("--charge-factor", "Solve for five final SoCs and fit what stored energy is worth.")
@path_option("--certificate", "FILE", "Write a proof of the bound there (.npz); `audit` checks it.")
@settings_options
def solve(
    cycle: str,
    driveline: str,
    achievable: bool,
    no_bound: bool,
    charge_factor: bool,
    certificate: Path | None,
    output: Output,
    **given: Any,
) -> None:
    """Find the least-fuel schedule over CYCLE, a schedule's name or a CSV file.

    CYCLE is wltc_class3b when left out. Settings that are not given come from the
    driveline or have defaults that need no tuning.
    """
    from ..inputs.driveline_file import read_driveline
    from ..text.summary import summary

    if charge_factor and no_bound:
        raise InputError("--charge-factor is set beside the bound's multiplier; drop --no-bound")
    if no_bound:
        refuse_idle("with --no-bound", "certificate")
    if certificate:
        check_file("--certificate", certificate, [".npz"], output.overwrite)
    settings = make_settings(given)
    vehicle = read_driveline(driveline)
    (track,) = read_tracks([cycle], vehicle, settings, achievable, output.silent)
    files = output.plan(f"{file_stem(track.name)}_{file_stem(vehicle.name)}", SUFFIXES)
    best = _solve(track, vehicle, settings.resolved(vehicle), output.silent, not no_bound)
    result = _result(best, output.silent, charge_factor)
    _tell_wide_gap(result)
    output.write(files, lambda: _writers(result))
    if certificate:
        _certify(best, certificate, output.overwrite)
        files = [*files, certificate]
    finish(output.as_json, files, lambda: _record(result), lambda: summary(result))


def _solve(
    cycle: "Cycle", driveline: "Driveline", settings: "Settings", quiet: bool, bound: bool
) -> "Optimum":
    from ..optimum.compile_ahead import compile_ahead
    from ..pipeline import find_optimum
    from ..problem.size import plan_memory

    memory = plan_memory(cycle, driveline, settings, whole=False)
    steps, gears, needed = memory.steps, memory.gears, memory.needed
    if not quiet:
        click.echo(
            f"solving {cycle.name} with {driveline.name}: {steps} steps, {gears} gears, "
            f"{memory.soc_points} SoC points, {_size(needed)} of memory",
            err=True,
        )
    compile_ahead()
    with progress_bar("solving", hidden=quiet or needed < LONG_WORK) as progress:
        return find_optimum(cycle, driveline, settings, progress, bound, keep_value=False)


def _result(best: "Optimum", quiet: bool, with_factor: bool) -> "Result":
    result = best.result()
    if with_factor:
        from ..evaluation.charge_factor import charge_factor

        with progress_bar("charge factor", hidden=quiet) as progress:
            found = charge_factor(best, progress=progress)
        result.dataset.attrs |= {
            "charge_factor_g_per_kWh": found.fuel_per_kWh,
            "charge_factor_deviation_g_per_kWh": found.deviation,
        }
    return result


def _certify(best: "Optimum", path: Path, overwrite: bool) -> None:
    from ..files.writing import write_atomically
    from ..optimum.certificate import make_certificate, write_arrays

    made = make_certificate(best)
    write_atomically(path, lambda out: write_arrays(out, made), overwrite)


def _tell_wide_gap(result: "Result") -> None:
    gap = result.dataset.attrs.get("gap_percent", 0.0)
    if gap > WIDE_GAP:
        message = f"the cost lies {gap:.4g} % above the proved bound, so that it may be far from "
        message += "the least; look at the cycle's steps and units, or take more SoC points and "
        message += "splits"
        if result.settings.warms:
            message = f"the cost lies {gap:.4g} % above the proved bound; with the oil temperature "
            message += "as a state it is the bound that is far off (guide theory, Warm-up); "
            message += "compare with twice the temperature_nodes to see how near the cost is"
        warnings.warn(message, InputWarning, stacklevel=2)


def _size(count: float) -> str:
    """Return a number of bytes in words."""
    return f"{count / 1e9:.2f} GB" if count >= 1e9 else f"{count / 1e6:.0f} MB"


def _writers(result: "Result") -> "Sequence[Write]":
    """Return what writes the files, in the order of :data:`SUFFIXES`."""
    from ..plots.axes import figure_writer
    from ..plots.schedule import plot_schedule

    return (result.write_netcdf, result.write_csv, figure_writer(plot_schedule(result)))


def _record(result: "Result") -> dict[str, Any]:
    """Return totals, inputs and settings of a result as one flat JSON object."""
    from ..base.nomenclature import BOUND_TOTALS, TOTALS

    attrs = result.dataset.attrs
    first = ("cycle", "driveline", *TOTALS, "solve_s", *(n for n in BOUND_TOTALS if n in attrs))
    ordered = {name: attrs[name] for name in first} | attrs
    record = {key: _finite(value) for key, value in ordered.items()}
    return record | {"settings": json.loads(attrs["settings"], parse_constant=lambda _: None)}


def _finite(value: Any) -> Any:
    """Return None for a float that JSON has no word for."""
    return None if isinstance(value, float) and not math.isfinite(value) else value
