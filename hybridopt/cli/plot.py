"""`hybridopt plot`: one picture of a result or of rule tables."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from ..base.nomenclature import SPECIES
from .options import (
    check_file,
    count_option,
    json_option,
    overwrite_option,
    path_option,
    quiet_option,
    refuse_idle,
    wrote,
)
from .progress_bar import progress_bar

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..evaluation.case import Score
    from ..optimum.result import Result
    from ..tables.rule_set import RuleSet

EXAMPLES = """\b
Examples:
  hybridopt plot out/wltc_class3b_full.nc --kind energy --out energy.png
  hybridopt plot out/udds_full.nc --kind regret --controller equivalence --out regret.pdf
  hybridopt plot rules.json --kind tables --out tables.svg
  hybridopt plot rules.json --kind shift-lines --cycle udds --out lines.png
"""
KINDS = {
    "schedule": "speed, gear, mode, torques and SoC over time",
    "engine": "operating points over the engine's map",
    "motor": "operating points over the motor's map",
    "energy": "from tank and battery to wheels and losses",
    "modes": "modes driven over speed and power",
    "best-modes": "best mode over speed and power at three SoC (solves again)",
    "gears": "time and speeds of each gear",
    "costate": "worth of charge (costate) along the path",
    "value": "cost-to-go and costate over time and SoC (solves again)",
    "soc": "SoC of controllers beside the optimum (drives them)",
    "regret": "what controllers have lost up to each time (drives them)",
    "starts": "cost against engine starts (solves at eight prices)",
    "shifts": "cost against gear shifts (solves at eight prices)",
    **{name: f"cost against {text} (solves at eight prices)" for name, text in SPECIES.items()},
    "tables": "rule tables with their coverage",
    "rule-modes": "mode that rule tables ask for, over speed and power",
    "shift-lines": "lines up and down of rule tables by pair of gears, with --cycle what is driven "
    "behind them",
    "engine-lines": "powers of engine start and stop of rule tables, likewise",
}
OF_RULES = ("tables", "rule-modes", "shift-lines", "engine-lines")
OF_LINES = ("shift-lines", "engine-lines")
TABLES = ("engine_start", "engine_stop", "electric_limit", "motor_torque", "shift_up", "shift_down")
SOLVED = ("value", "best-modes", "soc", "regret", "starts", "shifts", *SPECIES)
DRIVEN = ("soc", "regret")
NEEDED_BY = {
    "controllers": DRIVEN,
    "evaluations": DRIVEN,
    "cycle": (*SOLVED, *OF_LINES),
    "driveline": ("engine", "motor", "rule-modes", *OF_LINES, *SOLVED),
    "table": ("tables",),
}
"""Kinds that an option counts for."""
SUFFIXES = (".png", ".pdf", ".svg")
STANDARD = ("power_thresholds", "equivalence", "adaptive_equivalence")


class _Job(NamedTuple):
    """What the options say."""

    source: str
    kind: str
    driveline: str | None
    cycle: str | None
    controllers: tuple[str, ...]
    evaluations: int
    table: str | None
    quiet: bool


@click.command(short_help="Draw one picture of a result or of rule tables.", epilog=EXAMPLES)
@click.argument("source", metavar="RESULT|TABLES")
@click.option(
    "--kind",
    type=click.Choice(list(KINDS)),
    default="schedule",
    help="What to draw (default schedule): "
    + "; ".join(f"{name}: {text}" for name, text in KINDS.items())
    + ".",
)
@path_option("--out", "FILE", "Picture to write; ends in .png, .pdf or .svg.", required=True)
@click.option(
    "--driveline",
    metavar="NAME|FILE",
    help="Driveline of the result, where it is not a demo driveline.",
)
@click.option(
    "--cycle",
    metavar="NAME|FILE",
    help="Cycle of the result, where it is not a shipped schedule; of lines, what is driven.",
)
@click.option(
    "--controller",
    "controllers",
    multiple=True,
    metavar="WHAT",
    help="For soc and regret, as for `hybridopt compare`; repeat for more.",
)
@count_option(
    "--evaluations",
    0,
    1_000_000,
    120,
    "Sets of parameters that tuning named controllers tries; 0: none",
)
@click.option("--table", type=click.Choice(TABLES), help="For tables: this one alone.")
@overwrite_option
@quiet_option
@json_option
def plot(source: str, out: Path, overwrite: bool, as_json: bool, quiet: bool, **given: Any) -> None:
    """Draw one picture of RESULT (.nc) or TABLES (rule tables).

    Kinds that need the maps or a new solve take driveline and cycle by the names in the result,
    and check that they are the same by their hashes.
    """
    for option, kinds in NEEDED_BY.items():
        if given["kind"] not in kinds:
            refuse_idle(f"with --kind {given['kind']}", option)
    suffix = check_file("--out", out, SUFFIXES, overwrite)
    figure = _draw(_Job(source, quiet=quiet or as_json, **given))
    from ..files.writing import write_atomically
    from ..plots.axes import figure_writer

    write_atomically(out, figure_writer(figure, suffix[1:]), overwrite)
    wrote(as_json, [out])


def _draw(job: _Job) -> "Figure":
    if job.kind in OF_RULES:
        return _draw_rules(job)
    from ..optimum.result import Result
    from ..plots import pages as figures
    from ..plots.schedule import plot_schedule

    result = Result.read(job.source)
    plain: dict[str, Callable[[Any], Figure]] = {
        "schedule": plot_schedule,
        "energy": figures.energy_figure,
        "gears": figures.gears_figure,
        "costate": figures.costate_figure,
        "modes": lambda known: figures.visited_figure([known]),
    }
    if job.kind in plain:
        return plain[job.kind](result)
    from ..evaluation.recall import recall_cycle, recall_driveline
    from ..pipeline import find_optimum

    driveline = recall_driveline(result, job.driveline)
    if job.kind in ("engine", "motor"):
        return figures.points_figure(job.kind, result, driveline)
    cycle = recall_cycle(result, job.cycle)
    if job.kind in ("value", "best-modes"):
        draw = {"value": figures.value_figure, "best-modes": figures.best_modes_figure}[job.kind]
        return draw(find_optimum(cycle, driveline, result.settings))
    if job.kind in DRIVEN:
        scores = _scores(job, cycle, driveline, result.settings)
        return figures.controllers_figure(scores, job.kind)
    from ..evaluation.trade_off import trade_off

    with progress_bar("solving", hidden=job.quiet) as progress:
        trade = trade_off(cycle, driveline, result.settings, job.kind, progress=progress)
    return figures.trade_off_figure(result, trade)


def _draw_rules(job: _Job) -> "Figure":
    from ..inputs.driveline_file import read_driveline
    from ..plots import pages as figures
    from ..plots.rule_lines import engine_lines_figure, shift_lines_figure
    from ..plots.rule_tables import rule_table_figure, rule_tables_figure
    from ..tables.files import read_rule_set

    rule_set = read_rule_set(job.source)
    if job.kind in OF_LINES:
        draw = {"shift-lines": shift_lines_figure, "engine-lines": engine_lines_figure}[job.kind]
        return draw(rule_set, _driven(job, rule_set) if job.cycle else [])
    if job.kind == "tables":
        return rule_table_figure(rule_set, job.table) if job.table else rule_tables_figure(rule_set)
    driveline = read_driveline(job.driveline or rule_set.origin.driveline)
    return figures.rule_modes_figure(rule_set, driveline)


def _driven(job: _Job, rule_set: "RuleSet") -> "list[Result]":
    """Return what the tables drive on the cycle."""
    from ..evaluation.case import Case, score
    from ..inputs.cycle import read_cycle
    from ..inputs.driveline_file import read_driveline
    from ..pipeline import find_optimum

    driveline = read_driveline(job.driveline or rule_set.origin.driveline)
    with progress_bar("driving", hidden=job.quiet) as progress:
        case = Case(find_optimum(read_cycle(job.cycle or ""), driveline))
        progress(1.0)
    return [score(case, "rules", rule_set.controller, moments=None).result]


def _scores(job: _Job, cycle: Any, driveline: Any, settings: Any) -> "list[Score]":
    from ..evaluation.compare import compare
    from .compare import read_controllers

    found = read_controllers(job.controllers or STANDARD, None, job.quiet)
    tuning = "all" if job.evaluations else "none"
    with progress_bar("comparing", hidden=job.quiet) as progress:
        done = compare(
            [cycle], driveline, found, settings, tuning, max(job.evaluations, 1), progress=progress
        )
    return list(done.scores)
