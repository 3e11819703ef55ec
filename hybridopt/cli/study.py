"""`hybridopt study`: many variants over cycles, on this machine or a cluster, resumable."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..base.errors import InputError
from .options import check_file, json_option, overwrite_option, quiet_option, refuse_idle, wrote
from .output_folder import make_folder, plan_files
from .plot import SUFFIXES
from .warning_lines import told_warnings

if TYPE_CHECKING:
    import xarray as xr

    from ..study.plan import StudyPlan
    from ..study.store import StudyStore

GOAL = "fuel_equal_l_per_100km"
EXAMPLES = """\b
Examples:
  hybridopt study run sizes.toml --dry-run
  hybridopt study run sizes.toml
  hybridopt study table sizes.toml --within 1 --of battery.capacity_Ah
"""
PICTURES = ("_pareto.png", "_effects.png")
KINDS = ("front", "effects")


def _needs_packages(_: click.Context, __: click.Parameter, file: Path) -> Path:
    """See that what studies need is installed; help is shown before that."""
    from ..study.front import need_packages

    need_packages()
    return file


_file = click.argument(
    "file", metavar="STUDY.toml", type=click.Path(path_type=Path), callback=_needs_packages
)
_store = click.option(
    "--store",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Where results are (default: STUDY.results beside the file).",
)
_goal = click.option(
    "--goal", default=GOAL, metavar="VALUE", show_default=True, help="The value to make small."
)


@click.group(short_help="Many variants over cycles, resumable.", epilog=EXAMPLES)
def study() -> None:
    """Solve many variants of a driveline over cycles, and ask which is best."""


@study.command(short_help="Do what is not done yet.")
@_file
@_store
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Use the workers of a Dask scheduler, such as tcp://10.0.0.1:8786, "
    "instead of processes of this machine.",
)
@click.option(
    "--workers",
    type=click.IntRange(1, 10_000),
    metavar="N",
    help="Processes to start here (default: one per core).",
)
@click.option(
    "--executor",
    type=click.Choice(["cpu", "gpu"]),
    default="cpu",
    show_default=True,
    help="What solves the optima; what a GPU cannot take goes to the CPU.",
)
@click.option("--dry-run", is_flag=True, help="Count tasks, estimate memory and time, do nothing.")
@click.option("--retry-failed", is_flag=True, help="Try failed tasks again.")
@quiet_option
@json_option
def run(
    file: Path,
    store: Path | None,
    scheduler: str | None,
    workers: int | None,
    executor: str,
    dry_run: bool,
    retry_failed: bool,
    quiet: bool,
    as_json: bool,
) -> None:
    """Do all tasks of the study that are not done yet.

    Every task is stored as soon as it is done. Whatever ends a run, the next one goes on where it
    was; a finished study with new values does the new tasks only.
    """
    from ..study.front import open_store, plan_study, solve_study, store_folder
    from ..text.pace import pace_line

    if scheduler:
        refuse_idle("with --scheduler", "workers")
    if dry_run:
        refuse_idle("with --dry-run", "scheduler", "retry_failed")
    plan, folder = plan_study(file), store_folder(file, store)
    if dry_run:
        _estimate(plan, open_store(folder), workers, as_json)
        return
    with pace_line(quiet or as_json) as show:
        results = solve_study(
            plan,
            folder,
            workers=workers,
            scheduler=scheduler,
            executor=executor,
            retry_failed=retry_failed,
            show=show,
        )
    _show_status(plan, folder, as_json, results)


@study.command(short_help="Say how far it is.")
@_file
@_store
@json_option
def status(file: Path, store: Path | None, as_json: bool) -> None:
    """Say what is done, what failed and why, and the digest of the results."""
    from ..study.front import plan_study, store_folder

    _show_status(plan_study(file), store_folder(file, store), as_json)


@study.command(short_help="List results, the best first.")
@_file
@_store
@_goal
@click.option(
    "--limit",
    type=click.IntRange(1),
    default=20,
    show_default=True,
    metavar="N",
    help="Rows to list of each cycle.",
)
@click.option(
    "--within",
    type=click.FloatRange(0.0),
    metavar="%",
    help="With --of: its smallest value within so many % of the best.",
)
@click.option("--of", "parameter", metavar="PARAMETER", help="Parameter that --within asks about.")
@click.option(
    "--csv",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write all tasks there, with every value.",
)
@overwrite_option
@json_option
def table(
    file: Path,
    store: Path | None,
    goal: str,
    limit: int,
    within: float | None,
    parameter: str | None,
    csv: Path | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """List each cycle's tasks, the best first; or ask which size is nearly the best."""
    from ..files.writing import check_target, write_atomically
    from ..text.study_tables import best_record, best_text, csv_writer, sizes_record, sizes_text

    if (within is None) != (parameter is None):
        raise InputError("--within and --of go together; give both, or neither")
    if within is not None:
        refuse_idle("with --within", "limit")
    if csv:
        check_target(csv, overwrite)
    from ..study.questions import finished

    results = _results(file, store)
    known = finished(results, goal)
    if within is not None and parameter is not None:
        record, text = sizes_record(known, parameter, goal, within), sizes_text
    else:
        record, text = best_record(known, goal, limit), best_text
    if csv:
        write_atomically(csv, csv_writer(results), overwrite)
        record["files"] = [str(csv)]
    _print(record, text(record), as_json)
    if csv and not as_json:
        click.echo(f"wrote {csv}")


@study.command(short_help="Draw Pareto front and main effects.")
@_file
@_store
@_goal
@click.option(
    "--against",
    metavar="NAME",
    help="Parameter or value of the front's other axis (default: the first parameter "
    "with numbers).",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="FOLDER|FILE",
    default=Path("out"),
    show_default=True,
    help="A folder for both pictures, or one picture's file, which ends in .png, .pdf or .svg.",
)
@click.option(
    "--kind", type=click.Choice(KINDS), help="Which picture goes into the file (default front)."
)
@overwrite_option
@json_option
def plot(
    file: Path,
    store: Path | None,
    goal: str,
    against: str | None,
    out: Path,
    kind: str | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Draw the Pareto front of two quantities, and the main effect of every parameter."""
    from ..files.writing import write_together
    from ..plots.axes import figure_writer
    from ..plots.study import panel_note, plot_effects, plot_pareto
    from ..study.questions import finished

    files = _pictures(file, out, kind, overwrite)
    results = finished(_results(file, store), goal)
    draw = {
        "front": lambda: plot_pareto(results, against or _first_number(results), goal),
        "effects": lambda: plot_effects(results, goal),
    }
    writers = [figure_writer(draw[k](), path.suffix.lower()[1:]) for k, path in files.items()]
    if out.suffix.lower() not in SUFFIXES:
        make_folder(out)
    write_together(list(zip(files.values(), writers, strict=True)), overwrite)
    if note := panel_note(results):
        click.echo(f"note: {note}", err=True)
    wrote(as_json, list(files.values()))


def _pictures(file: Path, out: Path, kind: str | None, overwrite: bool) -> dict[str, Path]:
    """Return the file of each picture to draw: the one named, or both in a folder."""
    if out.suffix.lower() in SUFFIXES:
        check_file("--out", out, SUFFIXES, overwrite)
        return {kind or KINDS[0]: out}
    if kind:
        raise InputError(f"--kind {kind}: give a file with --out, such as {kind}.png")
    from ..files.writing import file_stem

    both = plan_files(out, file_stem(file.stem), PICTURES, overwrite)
    return dict(zip(KINDS, both, strict=True))


def _first_number(results: "xr.Dataset") -> str:
    from ..study.questions import is_numeric, parameters_of

    numeric = [name for name in parameters_of(results) if is_numeric(results, name)]
    if not numeric:
        raise InputError("--against: no parameter has numbers; name a value")
    return numeric[0]


def _results(file: Path, store: Path | None) -> "xr.Dataset":
    from ..study.front import plan_study, study_results

    return study_results(plan_study(file), store)


def _show_status(
    plan: "StudyPlan", folder: Path, as_json: bool, results: "xr.Dataset | None" = None
) -> None:
    from ..study.front import open_store
    from ..study.results import study_status
    from ..text.study_tables import status_text

    found = study_status(plan, open_store(folder), folder, results)
    _print(vars(found), status_text(found), as_json)


def _estimate(
    plan: "StudyPlan", store: "StudyStore | None", workers: int | None, as_json: bool
) -> None:
    from ..study.estimate import estimate_run, task_memory
    from ..study.workers import local_workers
    from ..text.study_tables import estimate_text

    count = local_workers(workers, task_memory(plan, plan.tasks))
    found = estimate_run(plan, store, count)
    _print(vars(found), estimate_text(found), as_json)


def _print(record: dict[str, Any], text: str, as_json: bool) -> None:
    from ..text.record import json_ready

    full = json_ready(record) | {"warnings": told_warnings()}
    click.echo(json.dumps(full, allow_nan=False) if as_json else text)
