"""`hybridopt compare`: controllers against the optimum and the proved bound."""

import json
from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..base.errors import InputError
from ..files.writing import file_stem
from .output_folder import make_folder, plan_files
from .progress_bar import progress_bar
from .settings_options import make_settings, settings_options

if TYPE_CHECKING:
    from ..evaluation.compare import Comparison

EXAMPLES = """\b
Examples:
  hybridopt compare wltc_class3b
  hybridopt compare udds --controller equivalence --controller mine.py:rule
  hybridopt compare drive.csv --controller rules.json --moments --out results
"""
STANDARD = ("load_following", "electric_power", "equivalence", "adaptive_equivalence")
SUFFIXES = (".csv", "_moments.csv", ".png")
LISTED = 10


@click.command(short_help="Measure controllers against the optimum.", epilog=EXAMPLES)
@click.argument("cycles", nargs=-1, required=True, metavar="CYCLE...")
@click.option(
    "--controller",
    "sources",
    multiple=True,
    metavar="WHAT",
    help="A name, rule tables (.json, .nc or a folder of CSV files), solved schedule "
    "(.nc) or FILE.py:FUNCTION, whose code is executed; repeat for more (default: all "
    "named ones).",
)
@click.option(
    "--gears",
    type=click.Choice(["lines", "best", "follow"]),
    help="How named controllers choose gears: by up and down lines, with the split "
    "(equivalence factors only), or as the optimum does.",
)
@click.option(
    "--tune",
    "tuning",
    type=click.Choice(["all", "each", "none"]),
    default="all",
    help="Tune named controllers on all cycles together, on each by itself, or not (default all).",
)
@click.option(
    "--evaluations",
    type=click.IntRange(1, 1_000_000),
    default=400,
    metavar="N",
    help="Sets of parameters that a tuning tries (default 400).",
)
@click.option(
    "--seed", type=click.IntRange(0), default=1, metavar="N", help="Seed of the tuning (default 1)."
)
@click.option("--moments", is_flag=True, help="List the ten costliest moments of each controller.")
@click.option(
    "--driveline",
    default="full",
    metavar="NAME|FILE",
    help="Demo driveline or TOML file (default full).",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Write the table, the moments (.csv) and a plot (.png) there.",
)
@click.option(
    "--traces",
    is_flag=True,
    help="With --out, also write the traces of every drive (.nc), for plot, report and explore.",
)
@click.option("--overwrite", is_flag=True, help="Replace files that are there already.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, nothing else.")
@click.option("--quiet", is_flag=True, help="Print no notes and no progress on stderr.")
@settings_options
def compare(
    cycles: tuple[str, ...],
    sources: tuple[str, ...],
    gears: str | None,
    tuning: str,
    evaluations: int,
    seed: int,
    moments: bool,
    driveline: str,
    out: Path | None,
    traces: bool,
    overwrite: bool,
    as_json: bool,
    quiet: bool,
    **given: Any,
) -> None:
    """Drive each CYCLE with controllers and tell how far they are from the optimum, and where.

    Fuel is given as used and at equal final SoC. Named controllers are tuned first. Steps in
    which a controller asks for what the driveline cannot do are clipped and counted.
    """
    from ..evaluation.case import OPTIMUM
    from ..evaluation.compare import compare as run
    from ..evaluation.sources import is_code, read_controller
    from ..inputs.cycle import read_cycle
    from ..inputs.driveline_file import read_driveline

    settings = make_settings(given)
    tracks, vehicle = [read_cycle(cycle) for cycle in cycles], read_driveline(driveline)
    files = plan_files(out, f"compare_{file_stem(vehicle.name)}", SUFFIXES, overwrite)
    if traces and out is None:
        raise InputError("--traces needs --out FOLDER to write them to")
    silent = quiet or as_json
    controllers: dict[str, Any] = {}
    for source in dict.fromkeys(sources or STANDARD):
        if is_code(source) and not silent:
            place = source.rpartition(":")[0]
            click.echo(f"note: running the code of {place} with your rights", err=True)
        controllers[_label(source, controllers)] = read_controller(source, gears)
    names = [OPTIMUM, *controllers] if traces else []
    stems = [(track.name, name) for track in tracks for name in names]
    more = [
        plan_files(out, _stem(track, vehicle.name, name), (".nc",), overwrite)[0]
        for track, name in stems
    ]
    if len(set(more)) < len(more):
        raise InputError(
            "--traces: two drives would share a file, since names are cut to 40 letters; give "
            "cycles and controllers shorter, different names"
        )
    with progress_bar("comparing", hidden=silent) as progress:
        comparison = run(
            tracks, vehicle, controllers, settings, tuning, evaluations, seed, progress
        )
    _write(comparison, files, more, overwrite)
    _show(comparison, [*files, *more], as_json, LISTED if moments else 0)


def _label(source: str, taken: Collection[str]) -> str:
    """Return a short name for a source: of a path only its last part, if that is free."""
    short = Path(source).name
    return source if short in taken else short


def _stem(cycle: str, driveline: str, controller: str) -> str:
    return "_".join(file_stem(name) for name in (cycle, driveline, controller))


def _write(
    comparison: "Comparison", files: list[Path], traces: list[Path], overwrite: bool
) -> None:
    if not files:
        return
    from ..files.writing import write_together
    from ..plots.axes import figure_writer
    from ..plots.comparison import plot_comparison
    from ..text.comparison import moments_writer, scores_writer

    make_folder(files[0].parent)
    writers = (
        scores_writer(comparison),
        moments_writer(comparison),
        figure_writer(plot_comparison(comparison)),
    )
    targets = list(zip(files, writers, strict=True))
    if traces:
        results = [score.result.write_netcdf for score in comparison.scores]
        targets += zip(traces, results, strict=True)
    write_together(targets, overwrite)


def _show(comparison: "Comparison", files: list[Path], as_json: bool, moments: int) -> None:
    from ..text.comparison import comparison_record, comparison_text

    if as_json:
        record = comparison_record(comparison) | {"files": [str(path) for path in files]}
        click.echo(json.dumps(record, allow_nan=False))
        return
    click.echo(comparison_text(comparison, moments))
    for path in files:
        click.echo(f"wrote {path}")
