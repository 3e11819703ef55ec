"""`hybridopt distil`: optima of training cycles into rule tables."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .options import (
    Output,
    check_file,
    count_option,
    driveline_option,
    finish,
    flag_option,
    output_options,
    path_option,
    refuse_idle,
)
from .settings_options import make_settings, settings_options
from .tracks import read_tracks

if TYPE_CHECKING:
    from ..distillation.distil import Distilled

EXAMPLES = """\b
Examples:
  hybridopt distil wltc_class3b artemis_urban --out rules.json
  hybridopt distil drive1.csv drive2.csv --out rules.nc --evaluations 4000
  hybridopt distil udds hwfet nedc --out rules.json --leave-one-out
"""
SIZES = ("speeds", "socs", "input_speeds", "input_torques", "wheel_torques")


@click.command(short_help="Make rule tables from optima of cycles.", epilog=EXAMPLES)
@click.argument("cycles", nargs=-1, required=True, metavar="CYCLE...")
@path_option(
    "--out", "FILE", "Tables to write, .json or .nc; `export` makes other formats.", required=True
)
@driveline_option
@click.option("--title", default="", metavar="TEXT", help="Name of the tables.")
@count_option("--evaluations", 1, 1_000_000, 8000, "Sets of tables that refinement tries")
@count_option("--seed", 0, None, 1, "Seed of the refinement")
@flag_option("--leave-one-out", "Also train without each cycle in turn, and drive it.")
@count_option("--speeds", 4, 64, 16, "Most breakpoints of vehicle speed")
@count_option("--socs", 2, 8, 8, "Most breakpoints of SoC")
@count_option("--input-speeds", 4, 64, 16, "Breakpoints of gearbox input speed")
@count_option("--input-torques", 4, 64, 16, "Breakpoints of gearbox input torque")
@count_option("--wheel-torques", 4, 64, 16, "Most breakpoints of wheel torque")
@output_options()
@settings_options
def distil(
    cycles: tuple[str, ...],
    out: Path,
    driveline: str,
    title: str,
    evaluations: int,
    seed: int,
    leave_one_out: bool,
    output: Output,
    **given: Any,
) -> None:
    """Make rule tables from the optima of training CYCLEs, and tune them in closed loop.

    Tables: wheel power at which the engine starts and stops over speed and SoC, motor torque over
    input speed, input torque and SoC, gear lines over wheel torque. Verify them on other cycles.
    """
    if len(cycles) == 1:
        refuse_idle("with one cycle", "leave_one_out")
    from ..distillation.distil import distil as run
    from ..distillation.family import Sizes
    from ..distillation.verify import AS_TRAINED, measured
    from ..inputs.driveline_file import read_driveline
    from ..tables.files import write_json, write_netcdf
    from ..text.verification import check_record, distilled_text, verification_text

    sizes = Sizes(**{name: given.pop(name) for name in SIZES})
    settings = make_settings(given)
    vehicle = read_driveline(driveline)
    tracks = read_tracks(cycles, vehicle, settings, quiet=output.silent)
    suffix = check_file("--out", out, (".json", ".nc"), output.overwrite)
    with output.progress("distilling") as progress:
        made = run(tracks, vehicle, settings, sizes, evaluations, seed, title, progress)
    checks = [
        measured(made.rules, case, name, AS_TRAINED, True) for name, case in made.cases.items()
    ]
    if leave_one_out:
        for track in tracks:
            others = [other for other in tracks if other.name != track.name]
            with output.progress(f"without {track.name}") as progress:
                left = run(others, vehicle, settings, sizes, evaluations, seed, title, progress)
            case = made.cases[track.name]
            checks.append(measured(left.rules, case, track.name, "trained without it", False))
    write = write_json if suffix == ".json" else write_netcdf
    write(made.rules, out, overwrite=output.overwrite)
    finish(
        output.as_json,
        [out],
        lambda: _record(made) | {"checks": [check_record(check) for check in checks]},
        lambda: f"{distilled_text(made)}\n\n{verification_text(checks)}",
    )


def _record(made: "Distilled") -> dict[str, Any]:
    return {
        "training": made.rules.origin.training,
        "merit_first_percent": made.refined.first,
        "merit_percent": made.refined.best,
    }
