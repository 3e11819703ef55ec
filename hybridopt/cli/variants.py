"""`hybridopt variants`: the least fuel of several drivelines side by side."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..base.errors import InputError
from ..text.table import terminal_width
from .options import Output, finish, output_options
from .settings_options import make_settings, settings_options

if TYPE_CHECKING:
    from xarray import Dataset

    from ..files.writing import Write
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
@output_options("Write variants.csv and variants.png there.")
@settings_options
def variants(
    drivelines: tuple[str, ...],
    cycles: tuple[str, ...],
    no_bound: bool,
    output: Output,
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
    from ..text.variants_tables import variants_record, variants_text

    settings = make_settings(given)
    tracks = [read_cycle(cycle) for cycle in cycles or ("wltc_class3b",)]
    vehicles = _named(drivelines, [read_driveline(source) for source in drivelines])
    files = output.plan("variants", SUFFIXES)
    with output.progress("solving") as progress:
        found = solve_variants(tracks, vehicles, settings, not no_bound, progress)
    output.write(files, lambda: _writers(found))
    record, text = (lambda: variants_record(found)), lambda: variants_text(found, terminal_width())
    finish(output.as_json, files, record, text)
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


def _writers(found: "Dataset") -> "list[Write]":
    """Return what writes the files of :data:`SUFFIXES`."""
    from ..plots.axes import figure_writer
    from ..plots.variants import plot_variants
    from ..text.variants_tables import variants_writer

    return [variants_writer(found), figure_writer(plot_variants(found))]
