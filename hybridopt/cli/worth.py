"""`hybridopt worth`: what each cell of rule tables is worth over some drives."""

from pathlib import Path
from typing import Any

import click

from ..files.writing import file_stem
from .options import Output, count_option, driveline_option, finish, output_options
from .settings_options import make_settings, settings_options
from .tracks import achievable_option, read_tracks

EXAMPLES = """\b
Examples:
  hybridopt worth rules.json wltc_class3b artemis_urban
  hybridopt worth rules.json udds --step-kw 0.5 --out results
"""
STEP_OPTIONS = {
    "step_kw": ("power_kW", 1.0, "power at which the engine starts and stops"),
    "step_nm": ("torque_Nm", 5.0, "motor torque and the electric limit"),
    "step_km_per_h": ("speed_km_per_h", 2.0, "shift lines"),
}


def step_options(command: Any) -> Any:
    """Give a command the options of the steps by which cells are moved."""
    for name, (_, default, words) in reversed(STEP_OPTIONS.items()):
        kind = click.FloatRange(0.0, 1e6, min_open=True)
        flag = f"--{name.replace('_', '-')}"
        text = f"By how much cells are raised and lowered: {words} (default {default:g})."
        command = click.option(flag, type=kind, default=default, metavar="X", help=text)(command)
    return command


def take_steps(given: dict[str, Any]) -> dict[str, float]:
    """Take the steps out of the options of a command."""
    return {key: given.pop(name) for name, (key, _, _) in STEP_OPTIONS.items()}


@click.command(short_help="What each cell of rule tables is worth.", epilog=EXAMPLES)
@click.argument("tables", type=click.Path(path_type=Path), metavar="TABLES")
@click.argument("cycles", nargs=-1, required=True, metavar="CYCLE...")
@driveline_option
@step_options
@count_option("--most", 1, 1000, 20, "Cells to list")
@achievable_option
@output_options("Write all cells (.csv) and their picture (.png) there.")
@settings_options
def worth(
    tables: Path,
    cycles: tuple[str, ...],
    driveline: str,
    most: int,
    achievable: bool,
    output: Output,
    **given: Any,
) -> None:
    """Raise and lower every cell of rule TABLES by a step, and drive each CYCLE again.

    Shows the change of fuel, of cost at equal SoC, of starts, shifts and final SoC, and for how
    long each cell is read; first come the cells that save most. Cells that no drive reaches are
    marked.
    """
    from ..distillation.cell_worth import cell_worth
    from ..inputs.driveline_file import read_driveline
    from ..plots.axes import figure_writer
    from ..plots.cell_worth import cell_worth_figure
    from ..tables.files import read_rule_set
    from ..text.cell_worth import worth_record, worth_text, worth_writer

    steps = take_steps(given)
    settings = make_settings(given)
    vehicle = read_driveline(driveline)
    rule_set = read_rule_set(tables)
    tracks = read_tracks(cycles, vehicle, settings, achievable, output.silent)
    files = output.plan(f"worth_{file_stem(tables.stem)}", (".csv", ".png"))
    with output.progress("moving cells") as progress:
        found = cell_worth(rule_set, tracks, vehicle, settings, steps, progress)
    output.write(files, lambda: (worth_writer(found), figure_writer(cell_worth_figure(found))))
    finish(output.as_json, files, lambda: worth_record(found), lambda: worth_text(found, most))
