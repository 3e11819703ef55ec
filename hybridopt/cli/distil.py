"""`hybridopt distil`: optima of training cycles into rule tables or preview maps."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..tables.shape import SHAPE_LIMITS, ShapeLimits
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
from .preview_options import OPTIONS, Foresight, preview_options
from .settings_options import declared_options, inside, make_settings, settings_options
from .tracks import read_tracks

if TYPE_CHECKING:
    from ..distillation.distil import Distilled
    from ..distillation.preview import DistilledPreview
    from ..inputs.cycle import Cycle

EXAMPLES = """\b
Examples:
  hybridopt distil --out rules.json
  hybridopt distil wltc_class3b artemis_urban --out rules.json
  hybridopt distil drive1.csv drive2.csv --out rules.nc --evaluations 4000
  hybridopt distil --out rules.json --hysteresis-km-per-h 3 --plan my_tables.toml
  hybridopt distil udds hwfet nedc --out rules.json --leave-one-out
  hybridopt distil wltc_class3b nedc --kind preview --preview-horizon-s 5 --out preview.json
"""
KINDS = ("rules", "preview")
RULES_ONLY = ("evaluations", "seed", "plan", *SHAPE_LIMITS)
SIZES = ("speeds", "socs", "input_speeds", "input_torques", "wheel_torques")


@click.command(short_help="Make rule tables or preview maps from optima.", epilog=EXAMPLES)
@click.argument("cycles", nargs=-1, metavar="[CYCLE...]")
@path_option(
    "--out", "FILE", "Tables to write, .json or .nc; `export` makes other formats.", required=True
)
@driveline_option
@click.option(
    "--kind",
    type=click.Choice(KINDS),
    default=KINDS[0],
    help="What to make: rule tables, or the maps of the predictive controller (default rules).",
)
@preview_options
@click.option("--title", default="", metavar="TEXT", help="Name of the tables.")
@count_option("--evaluations", 1, 1_000_000, 8000, "Sets of tables that refinement tries")
@count_option("--seed", 0, None, 1, "Seed of the refinement")
@flag_option("--leave-one-out", "Also train without each cycle in turn, and drive it.")
@count_option("--speeds", 4, 64, 16, "Most breakpoints of vehicle speed")
@count_option("--socs", 2, 8, 8, "Most breakpoints of SoC")
@count_option("--input-speeds", 4, 64, 16, "Breakpoints of gearbox input speed")
@count_option("--input-torques", 4, 64, 16, "Breakpoints of gearbox input torque")
@count_option("--wheel-torques", 4, 64, 16, "Most breakpoints of wheel torque")
@path_option(
    "--plan", "FILE", "TOML file with breakpoints of your own and cells that keep a value."
)
@declared_options(SHAPE_LIMITS)
@output_options()
@settings_options
def distil(
    cycles: tuple[str, ...],
    out: Path,
    driveline: str,
    kind: str,
    title: str,
    leave_one_out: bool,
    plan: Path | None,
    foresight: Foresight,
    output: Output,
    **given: Any,
) -> None:
    """Make rule tables from the optima of training CYCLEs, and tune them in closed loop.

    Without CYCLEs they are WLTC class 3b, three Artemis cycles and the shipped recorded drives.
    With --kind preview make the maps of the predictive controller, which looks ahead; without
    CYCLEs from the four schedules alone.

    Tables: wheel power at which the engine starts and stops over speed and SoC, motor torque over
    input speed, input torque and SoC, gear lines over wheel torque. They keep limits on their
    shape, and what each limit costs is said. Verify them on other cycles.
    """
    if len(cycles) == 1:
        refuse_idle("with one cycle", "leave_one_out")
    if kind == "preview":
        refuse_idle("with --kind preview", *RULES_ONLY, *SIZES)
    else:
        refuse_idle("without --kind preview", *OPTIONS)
    from ..controllers.preview import Preview
    from ..distillation.distil import distil as run
    from ..distillation.distil import training_names
    from ..distillation.family import Sizes
    from ..distillation.plan import TablePlan, read_table_plan
    from ..distillation.preview import distil_preview
    from ..distillation.verify import AS_TRAINED, measured
    from ..foresight.preview_maps import TRAINING
    from ..inputs.driveline_file import read_driveline
    from ..tables.files import write_json, write_netcdf
    from ..text.verification import (
        check_record,
        distilled_record,
        distilled_text,
        verification_text,
    )

    sizes = Sizes(**{name: given.pop(name) for name in SIZES})
    evaluations, seed = given.pop("evaluations"), given.pop("seed")
    shape = ShapeLimits(**inside(SHAPE_LIMITS, {name: given.pop(name) for name in SHAPE_LIMITS}))
    wanted = read_table_plan(plan, shape) if plan else TablePlan(shape)
    look = foresight.given_to(Preview())
    settings = make_settings(given)
    vehicle = read_driveline(driveline)
    names = cycles or (TRAINING if kind == "preview" else training_names())
    tracks = read_tracks(names, vehicle, settings, quiet=output.silent)
    suffix = check_file("--out", out, (".json", ".nc"), output.overwrite)

    def train(cycles: Sequence["Cycle"], words: str) -> "Distilled | DistilledPreview":
        with output.progress(words) as progress:
            if kind == "preview":
                return distil_preview(cycles, vehicle, settings, look, title, progress)
            return run(cycles, vehicle, settings, sizes, evaluations, seed, title, progress, wanted)

    made = train(tracks, "distilling")
    checks = [
        measured(made.content.controller, case, name, AS_TRAINED, True)
        for name, case in made.cases.items()
    ]
    for track in tracks if leave_one_out else ():
        others = [other for other in tracks if other.name != track.name]
        left, case = train(others, f"without {track.name}"), made.cases[track.name]
        checks.append(
            measured(left.content.controller, case, track.name, "trained without it", False)
        )
    write = write_json if suffix == ".json" else write_netcdf
    write(made.content, out, overwrite=output.overwrite)
    finish(
        output.as_json,
        [out],
        lambda: distilled_record(made) | {"checks": [check_record(check) for check in checks]},
        lambda: f"{distilled_text(made)}\n\n{verification_text(checks)}",
    )
