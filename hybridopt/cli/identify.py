"""`hybridopt identify`: a driveline fitted to a car's logs."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from ..base.errors import InputError
from ..files.writing import Write, write_together
from ..text.table import terminal_width
from .options import (
    check_file,
    driveline_option,
    finish,
    flag_option,
    json_option,
    overwrite_option,
    path_option,
)
from .recording_options import LogReading, recording_options

if TYPE_CHECKING:
    from ..measured_car.identify import Identified

EXAMPLES = """\b
Examples:
  hybridopt identify drive_1.csv drive_2.csv --driveline full --out car.toml
  hybridopt identify *.mf4 --driveline mild --map car_map.toml --out car.toml --plot fit.png
  hybridopt identify trace.log --dbc car.dbc --driveline full --json
"""


@click.command("identify", short_help="Fit a driveline to a car's logs.", epilog=EXAMPLES)
@click.argument("logs", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="LOG...")
@driveline_option
@path_option("--out", "FILE", "Write the fitted driveline there (.toml), on top of the base.")
@path_option("--plot", "FILE", "Draw measured against model (.png).")
@recording_options
@flag_option("--no-left-out", "Do not predict each log from the others, which is quicker.")
@overwrite_option
@json_option
def identify(
    logs: tuple[Path, ...],
    driveline: str,
    out: Path | None,
    plot: Path | None,
    reading: LogReading,
    no_left_out: bool,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Fit what the channels of LOGs of one car tell of its driveline, beginning from a base.

    Every parameter comes with its 95 % interval and the data that carry it. What the logs do not
    tell stays at the base's figure and is listed with the reason. With several logs, each is
    predicted from the others too.
    """
    from ..inputs.driveline_file import read_driveline
    from ..measured_car.identify import identify as fit
    from ..text.identified import identified_record, identified_text

    files = [path for path in (out, plot) if path is not None]
    if out is not None:
        check_file("--out", out, (".toml",), overwrite)
        if Path(driveline).exists() and Path(driveline).resolve() == out.resolve():
            raise InputError(f"--out {out}: is the base itself; give another name")
    if plot is not None:
        check_file("--plot", plot, (".png",), overwrite)
    if len({path.resolve() for path in logs}) < len(logs):
        raise InputError("identify: a log is given twice; it would count as two drives")
    base = read_driveline(driveline)
    recordings = [reading.read(log, base.fuel.density) for log in logs]
    found = fit(recordings, base, leave_out=not no_left_out)
    write_together(_writers(found, driveline, out, plot), overwrite)
    finish(
        as_json,
        files,
        lambda: identified_record(found),
        lambda: identified_text(found, terminal_width()),
    )


def _writers(
    found: "Identified", base: str, out: Path | None, plot: Path | None
) -> list[tuple[Path, Write]]:
    """Return what writes each file asked for."""
    targets: list[tuple[Path, Write]] = []
    if out is not None:
        from ..text.identified import driveline_writer

        targets.append((out, driveline_writer(found, base, out)))
    if plot is not None:
        from ..plots.axes import figure_writer
        from ..plots.identified import plot_identified

        targets.append((plot, figure_writer(plot_identified(found))))
    return targets
