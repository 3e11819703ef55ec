"""`hybridopt limit`: what no controller without foresight can win, in a model of driving."""

from typing import TYPE_CHECKING, Any

import click

from ..base.progress import part_of
from ..files.writing import file_stem
from .compare import read_controllers
from .options import (
    Output,
    count_option,
    driveline_option,
    finish,
    flag_option,
    output_options,
    refuse_idle,
)
from .settings_options import make_settings, settings_options
from .tracks import achievable_option, read_tracks

if TYPE_CHECKING:
    from ..controllers.builtin import BuiltIn
    from ..foresight.model import DriveModel

EXAMPLES = """\b
Examples:
  hybridopt limit wltc_class3b artemis_urban artemis_rural artemis_motorway130
  hybridopt limit drive1.csv drive2.csv drive3.csv --controller rules.json --retrain
"""
RETRAINED = "tables trained on drawn drives"
TRAINED_DRIVES, SEED_AWAY = 6, 1000  # of drawn drives that tables are trained on, and their seed


@click.command(short_help="What no controller without foresight can win.", epilog=EXAMPLES)
@click.argument("cycles", nargs=-1, required=True, metavar="CYCLE...")
@click.option(
    "--controller",
    "sources",
    multiple=True,
    metavar="WHAT",
    help="Drive the drawn drives with it as well, as it is: a name, rule tables (.json, .nc, "
    ".cdfx or a folder of CSV files), or FILE.py:FUNCTION, whose code is executed; repeat for "
    "more.",
)
@flag_option(
    "--retrain",
    "Distil tables from other drawn drives too, so that what rule tables lose is split into want "
    "of foresight, their form, and their training.",
)
@count_option("--evaluations", 1, 1_000_000, 3000, "Sets of tables that --retrain tries")
@count_option("--drives", 2, 10_000, 30, "Drives to draw")
@count_option("--length-s", 10, 36_000, 1200, "Least duration of each, in seconds,")
@count_option("--seed", 0, None, 1, "Seed of chance")
@click.option(
    "--memory",
    type=click.Choice(["none", "jerk"]),
    default="none",
    help="What the model remembers beside speed and acceleration: nothing, or whether the "
    "acceleration fell, stayed or rose (default none).",
)
@driveline_option
@achievable_option
@output_options("Write the costs on every drawn drive (.csv) there.")
@settings_options
def limit(
    cycles: tuple[str, ...],
    sources: tuple[str, ...],
    retrain: bool,
    driveline: str,
    achievable: bool,
    memory: str,
    output: Output,
    **given: Any,
) -> None:
    """Estimate a model of driving from each CYCLE, and find the best that can be done in it.

    Drives are drawn from the model and driven by the optimum that knows them, by the best policy
    that does not, and by controllers. What is proved holds in the model; real driving may tell a
    controller more than the model remembers.
    """
    if not retrain:
        refuse_idle("without --retrain", "evaluations")
    evaluations, drives, length, seed = (
        given.pop(name) for name in ("evaluations", "drives", "length_s", "seed")
    )
    from ..foresight.limit import causal_limit
    from ..foresight.model import drive_model
    from ..inputs.driveline_file import read_driveline
    from ..tables.rule_table import RuleTable
    from ..text.foresight_limit import limit_record, limit_text, limit_writer

    settings = make_settings(given)
    vehicle = read_driveline(driveline)
    training = read_tracks(cycles, vehicle, settings, achievable, output.silent)
    controllers = read_controllers(sources, None, output.silent)
    files = output.plan(f"limit_{file_stem(vehicle.name)}", (".csv",))
    tables = [name for name, one in controllers.items() if isinstance(one, RuleTable)]
    with output.progress("finding the limit") as progress:
        model = drive_model(
            training, vehicle, settings, memory, progress=part_of(progress, 0.0, 0.3)
        )
        if retrain:
            part = part_of(progress, 0.3, 0.5)
            controllers[RETRAINED] = _trained_on(model, length, seed, evaluations, part)
        done = part_of(progress, 0.5 if retrain else 0.3, 1.0)
        found = causal_limit(model, drives, length, seed, controllers, done)
    output.write(files, lambda: [limit_writer(found)])
    splits = [(name, RETRAINED) for name in tables] if retrain else []
    finish(
        output.as_json,
        files,
        lambda: limit_record(found, splits),
        lambda: limit_text(found, splits),
    )


def _trained_on(
    model: "DriveModel", length: int, seed: int, evaluations: int, progress: Any
) -> "BuiltIn":
    """Return rule tables distilled from drives that the model draws, other than those driven."""
    from ..distillation.distil import distil

    drawn = model.chain.draw_cycles(TRAINED_DRIVES, length, seed + SEED_AWAY)
    made = distil(
        drawn, model.driveline, model.settings, evaluations=evaluations, progress=progress
    )
    return made.rules.table
