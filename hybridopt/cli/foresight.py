"""`hybridopt foresight`: what seconds of preview are worth, exact, wrong or guessed."""

from typing import TYPE_CHECKING, Any

import click

from ..base.errors import FailedError
from ..base.units import KM_PER_H
from ..files.writing import Write, file_stem
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
    from ..evaluation.foresight_worth import ForesightWorth

EXAMPLES = """\b
Examples:
  hybridopt foresight udds hwfet nedc wltc_class2
  hybridopt foresight drive.csv --preview exact --preview wrong --error-km-per-h 8
  hybridopt foresight wltc_class3b artemis_urban --leave-one-out --preview all --out results
"""
KINDS = ("exact", "wrong", "limits", "grade", "usual", "fading", "steady")
ALL = "all"
SUFFIXES = (".csv", ".png")


@click.command(short_help="What seconds of preview are worth.", epilog=EXAMPLES)
@click.argument("cycles", nargs=-1, required=True, metavar="CYCLE...")
@click.option(
    "--horizon-s",
    "horizons",
    multiple=True,
    type=float,
    metavar="S",
    help="See so many seconds ahead; repeat for more (default 0, 1, 2, 3, 5, 10, 20 and 60).",
)
@click.option(
    "--preview",
    "previews",
    multiple=True,
    type=click.Choice([*KINDS, ALL]),
    help="What is seen: what really comes; that with a growing error; speed limits and grade; "
    "grade only; or, without preview, what usually followed in training, a fading acceleration, "
    "a steady speed. Repeat for more (default exact).",
)
@click.option(
    "--error-km-per-h",
    type=click.FloatRange(0.0, 100.0),
    default=5.0,
    metavar="KM/H",
    help="Standard deviation of the wrong preview's speed 10 s ahead (default 5).",
)
@count_option("--seed", 0, None, 1, "Seed of the wrong preview's errors")
@click.option(
    "--train",
    multiple=True,
    metavar="CYCLE",
    help="Learn from this cycle what to expect behind what is seen; repeat for more (default: WLTC "
    "class 3b and Artemis urban, rural and motorway 130).",
)
@flag_option("--leave-one-out", "Leave a cycle out of the training where it is driven.")
@flag_option(
    "--preview-destination",
    "Let it know when the drive ends, so that it brings the charge back by then.",
    "destination",
)
@driveline_option
@achievable_option
@output_options("Write the table (.csv) and a plot (.png) there.")
@settings_options
def foresight(
    cycles: tuple[str, ...],
    horizons: tuple[float, ...],
    previews: tuple[str, ...],
    train: tuple[str, ...],
    leave_one_out: bool,
    destination: bool,
    driveline: str,
    achievable: bool,
    output: Output,
    **given: Any,
) -> None:
    """Drive each CYCLE with the predictive controller, seeing more and more of what comes.

    The loss is cost at equal SoC above the replayed optimum's. With exact preview it is also given
    with the price of stored energy held, where SoC needs no watching. What cannot be driven is
    named, and the exit code is then 1.
    """
    kinds = KINDS if ALL in previews else tuple(dict.fromkeys(previews)) or KINDS[:1]
    if "wrong" not in kinds:
        refuse_idle("without --preview wrong", "error_km_per_h", "seed")
    error, seed = given.pop("error_km_per_h"), given.pop("seed")
    from ..evaluation.foresight_worth import HORIZONS, foresight_worth
    from ..foresight.predictions import SpeedError
    from ..inputs.driveline_file import read_driveline
    from ..text.foresight_worth import failure_lines, foresight_record, foresight_text

    settings = make_settings(given)
    vehicle = read_driveline(driveline)
    tracks = read_tracks(cycles, vehicle, settings, achievable, output.silent)
    training = read_tracks(train, vehicle, settings, achievable, True)
    files = output.plan(f"foresight_{file_stem(vehicle.name)}", SUFFIXES)
    with output.progress("looking ahead") as progress:
        worth = foresight_worth(
            tracks,
            vehicle,
            settings,
            horizons or HORIZONS,
            kinds,
            training,
            leave_one_out,
            SpeedError(error * KM_PER_H, seed),
            destination,
            progress,
        )
    if not worth.rows:
        raise FailedError("; ".join(failure_lines(worth.failures)))
    output.write(files, lambda: _writers(worth))
    finish(output.as_json, files, lambda: foresight_record(worth), lambda: foresight_text(worth))
    if worth.failures:
        raise click.exceptions.Exit(FailedError.exit_code)


def _writers(worth: "ForesightWorth") -> list[Write]:
    """Return what writes the files of :data:`SUFFIXES`."""
    from ..plots.axes import figure_writer
    from ..plots.foresight_worth import plot_foresight
    from ..text.foresight_worth import foresight_writer

    return [foresight_writer(worth), figure_writer(plot_foresight(worth))]
