"""`hybridopt variants`: the least fuel of several drivelines side by side."""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..base.errors import InputError
from ..text.table import terminal_width
from .output_folder import make_folder, plan_files
from .progress_bar import progress_bar
from .settings_options import make_settings, settings_options

if TYPE_CHECKING:
    from xarray import Dataset

    from ..inputs.driveline import Driveline

EXAMPLES = """\b
Examples:
  hybridopt variants full mild micro
  hybridopt variants full mine.toml --cycle wltc_class3b --cycle udds --out results
"""
SUFFIXES = (".csv", ".png")


@click.command(short_help="Compare whole drivelines on one chart.", epilog=EXAMPLES)
@click.argument("drivelines", nargs=-1, required=True, metavar="DRIVELINE...")
@click.option(
    "--cycle",
    "cycles",
    multiple=True,
    metavar="NAME|FILE",
    help="Schedule or CSV file; repeat for more (default wltc_class3b).",
)
@click.option("--no-bound", is_flag=True, help="Skip the proved lower limits of the cost.")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Write variants.csv and variants.png there.",
)
@click.option("--overwrite", is_flag=True, help="Replace files that are there already.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, nothing else.")
@click.option("--quiet", is_flag=True, help="Print no progress on stderr.")
@settings_options
def variants(
    drivelines: tuple[str, ...],
    cycles: tuple[str, ...],
    no_bound: bool,
    out: Path | None,
    overwrite: bool,
    as_json: bool,
    quiet: bool,
    **given: Any,
) -> int:
    """Find the least fuel of each DRIVELINE, a name or TOML file, and set it against the first.

    A driveline that cannot drive a cycle is shown with the reason; the exit code is 1 only if
    none can drive any. Where the fuels differ, grams of fuel and CO2 are compared.
    """
    from ..inputs.cycle import read_cycle
    from ..inputs.driveline_file import read_driveline
    from ..study.drivelines import solve_variants
    from ..study.values import DONE

    settings = make_settings(given)
    tracks = [read_cycle(cycle) for cycle in cycles or ("wltc_class3b",)]
    vehicles = _named(drivelines, [read_driveline(source) for source in drivelines])
    files = plan_files(out, "variants", SUFFIXES, overwrite)
    with progress_bar("solving", hidden=quiet or as_json) as progress:
        found = solve_variants(tracks, vehicles, settings, not no_bound, progress)
    _write(found, files, overwrite)
    _show(found, files, as_json)
    return 0 if (found["status"] == DONE).any() else 1


def _named(sources: Sequence[str], vehicles: "Sequence[Driveline]") -> "dict[str, Driveline]":
    """Return drivelines by name; by the file's name where two have the same, as bases give it."""
    names = [vehicle.name for vehicle in vehicles]
    stems = [Path(source).stem for source in sources]
    shown: list[str] = []
    for source, name, stem in zip(sources, names, stems, strict=True):
        choices = (name if names.count(name) == 1 else stem, source)
        free = [choice for choice in choices if choice not in shown]
        if not free:
            raise InputError(f"driveline {source!r} is given twice; keep one")
        shown.append(free[0])
    return dict(zip(shown, vehicles, strict=True))


def _write(found: "Dataset", files: list[Path], overwrite: bool) -> None:
    if not files:
        return
    from ..files.writing import write_together
    from ..plots.axes import figure_writer
    from ..plots.variants import plot_variants
    from ..text.variants_tables import variants_writer

    make_folder(files[0].parent)
    writers = (variants_writer(found), figure_writer(plot_variants(found)))
    write_together(list(zip(files, writers, strict=True)), overwrite)


def _show(found: "Dataset", files: list[Path], as_json: bool) -> None:
    from ..text.variants_tables import variants_record, variants_text

    if as_json:
        record = variants_record(found) | {"files": [str(path) for path in files]}
        click.echo(json.dumps(record, allow_nan=False))
        return
    click.echo(variants_text(found, terminal_width()))
    for path in files:
        click.echo(f"wrote {path}")
