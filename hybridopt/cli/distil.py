"""`hybridopt distil`: optima of training cycles into rule tables."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .progress_bar import progress_bar
from .settings_options import make_settings, settings_options

if TYPE_CHECKING:
    from ..distillation.verify import VerifiedDrive

EXAMPLES = """\b
Examples:
  hybridopt distil wltc_class3b artemis_urban --out rules.json
  hybridopt distil drive1.csv drive2.csv --out rules.nc --evaluations 4000
  hybridopt distil udds hwfet nedc --out rules.json --leave-one-out
"""
SIZES = ("speeds", "socs", "input_speeds", "input_torques", "wheel_torques")


@click.command(short_help="Make rule tables from optima of cycles.", epilog=EXAMPLES)
@click.argument("cycles", nargs=-1, required=True, metavar="CYCLE...")
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Tables to write, .json or .nc; `export` makes other formats.",
)
@click.option(
    "--driveline",
    default="full",
    metavar="NAME|FILE",
    help="Demo driveline or TOML file (default full).",
)
@click.option("--title", default="", metavar="TEXT", help="Name of the tables.")
@click.option(
    "--evaluations",
    type=click.IntRange(1, 1_000_000),
    default=8000,
    metavar="N",
    help="Sets of tables that refinement tries (default 8000).",
)
@click.option(
    "--seed",
    type=click.IntRange(0),
    default=1,
    metavar="N",
    help="Seed of the refinement (default 1).",
)
@click.option(
    "--leave-one-out", is_flag=True, help="Also train without each cycle in turn, and drive it."
)
@click.option(
    "--speeds",
    type=click.IntRange(4, 64),
    default=16,
    metavar="N",
    help="Most breakpoints of vehicle speed (default 16).",
)
@click.option(
    "--socs",
    type=click.IntRange(2, 8),
    default=8,
    metavar="N",
    help="Most breakpoints of SoC (default 8).",
)
@click.option(
    "--input-speeds",
    type=click.IntRange(4, 64),
    default=16,
    metavar="N",
    help="Breakpoints of gearbox input speed (default 16).",
)
@click.option(
    "--input-torques",
    type=click.IntRange(4, 64),
    default=16,
    metavar="N",
    help="Breakpoints of gearbox input torque (default 16).",
)
@click.option(
    "--wheel-torques",
    type=click.IntRange(4, 64),
    default=16,
    metavar="N",
    help="Most breakpoints of wheel torque (default 16).",
)
@click.option("--overwrite", is_flag=True, help="Replace files that are there already.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, nothing else.")
@click.option("--quiet", is_flag=True, help="Print no progress on stderr.")
@settings_options
def distil(
    cycles: tuple[str, ...],
    out: Path,
    driveline: str,
    title: str,
    evaluations: int,
    seed: int,
    leave_one_out: bool,
    overwrite: bool,
    as_json: bool,
    quiet: bool,
    **given: Any,
) -> None:
    """Make rule tables from the optima of training CYCLEs, and tune them in closed loop.

    Tables: wheel power at which the engine starts and stops over speed and SoC, motor torque over
    input speed, input torque and SoC, gear lines over wheel torque. Verify them on other cycles.
    """
    from ..distillation.distil import distil as run
    from ..distillation.family import Sizes
    from ..distillation.verify import AS_TRAINED, measured
    from ..files.writing import check_target
    from ..inputs.cycle import read_cycle
    from ..inputs.driveline_file import read_driveline

    sizes = Sizes(**{name: given.pop(name) for name in SIZES})
    settings = make_settings(given)
    tracks, vehicle = [read_cycle(cycle) for cycle in cycles], read_driveline(driveline)
    write = _writer(out)
    check_target(out, overwrite)
    hidden = quiet or as_json
    with progress_bar("distilling", hidden) as progress:
        made = run(tracks, vehicle, settings, sizes, evaluations, seed, title, progress)
    checks = [
        measured(made.rules, case, name, AS_TRAINED, True) for name, case in made.cases.items()
    ]
    if leave_one_out and len(tracks) > 1:
        for track in tracks:
            others = [other for other in tracks if other.name != track.name]
            with progress_bar(f"without {track.name}", hidden) as progress:
                left = run(others, vehicle, settings, sizes, evaluations, seed, title, progress)
            case = made.cases[track.name]
            checks.append(measured(left.rules, case, track.name, "trained without it", False))
    write(made.rules, out, overwrite=overwrite)
    _show(made, checks, out, as_json)


def _writer(out: Path) -> Any:
    """Return what writes the tables, by the suffix of the file."""
    from ..base.errors import InputError
    from ..tables.files import write_json, write_netcdf

    writers = {".json": write_json, ".nc": write_netcdf}
    if out.suffix.lower() not in writers:
        raise InputError(f"--out {out}: give a name that ends in .json or .nc")
    return writers[out.suffix.lower()]


def _show(made: Any, checks: "list[VerifiedDrive]", out: Path, as_json: bool) -> None:
    from ..text.verification import check_record, distilled_text, verification_text

    if as_json:
        record = {
            "training": made.rules.origin.training,
            "merit_first_percent": made.refined.first,
            "merit_percent": made.refined.best,
            "checks": [check_record(check) for check in checks],
            "files": [str(out)],
        }
        click.echo(json.dumps(record, allow_nan=False))
        return
    click.echo(distilled_text(made))
    click.echo("")
    click.echo(verification_text(checks))
    click.echo(f"wrote {out}")
