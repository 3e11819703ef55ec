"""`hybridopt deplete`: a plug-in hybrid depleting and sustaining, weighted, and the best blend."""

from typing import TYPE_CHECKING, Any

import click

from ..files.writing import file_stem
from .options import Output, finish, output_options
from .settings_options import make_settings, settings_options
from .tracks import achievable_option, read_tracks

if TYPE_CHECKING:
    from ..evaluation.plug_in import PlugIn
    from ..files.writing import Write

EXAMPLES = """\b
Examples:
  hybridopt deplete wltc_class3b
  hybridopt deplete commute.csv --driveline mine.toml --charger-efficiency 0.88 --out results
"""
SUFFIXES = (".csv", ".png")


@click.command(short_help="A plug-in hybrid: depleting, sustaining, blended.", epilog=EXAMPLES)
@click.argument("cycle", default="wltc_class3b")
@click.option(
    "--driveline",
    default="plug_in",
    show_default=True,
    metavar="NAME|FILE",
    help="Driveline with a battery to be charged from the wall, a name or a TOML file.",
)
@click.option(
    "--charger-efficiency",
    type=click.FloatRange(0.0, 1.0, min_open=True),
    default=0.9,
    show_default=True,
    metavar="SHARE",
    help="Stored energy over energy from the wall.",
)
@click.option(
    "--utility-distance-km",
    type=click.FloatRange(1.0, 100_000.0),
    default=800.0,
    show_default=True,
    metavar="KM",
    help="Reference distance d_n of the utility factor.",
)
@achievable_option
@output_options("Write the runs (.csv) and the trip's picture (.png) there.")
@settings_options
def deplete(
    cycle: str,
    driveline: str,
    charger_efficiency: float,
    utility_distance_km: float,
    achievable: bool,
    output: Output,
    **given: Any,
) -> None:
    """Run CYCLE from a full battery until it is empty, sustain it, and weight both.

    A full battery is at the top of the SoC window; the charge that is sustained is the driveline's
    start SoC. The same trip is then blended: the optimum of the whole, with its proved bound.
    """
    from ..evaluation.plug_in import plug_in
    from ..inputs.driveline_file import read_driveline
    from ..text.plug_in import plug_in_record, plug_in_text

    settings = make_settings(given)
    vehicle = read_driveline(driveline)
    (track,) = read_tracks([cycle], vehicle, settings, achievable, output.silent)
    files = output.plan(f"{file_stem(track.name)}_{file_stem(vehicle.name)}_trip", SUFFIXES)
    with output.progress("depleting and blending") as progress:
        found = plug_in(
            track, vehicle, settings, charger_efficiency, 1e3 * utility_distance_km, progress
        )
    output.write(files, lambda: _writers(found))
    finish(output.as_json, files, lambda: plug_in_record(found), lambda: plug_in_text(found))


def _writers(found: "PlugIn") -> "list[Write]":
    """Return what writes the files of :data:`SUFFIXES`."""
    from ..plots.axes import figure_writer
    from ..plots.plug_in import plug_in_figure
    from ..text.plug_in import plug_in_writer

    return [plug_in_writer(found), figure_writer(plug_in_figure(found))]
