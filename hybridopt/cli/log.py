"""`hybridopt log`: the channels of a measured car, and what they do not agree on."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..base.errors import InputError
from ..files.writing import Write, bytes_writer, check_target, write_together
from .options import check_file, finish, json_option, overwrite_option, path_option
from .recording_options import LogReading, recording_options

if TYPE_CHECKING:
    from ..measurements.recording import Recording

EXAMPLES = """\b
Examples:
  hybridopt log drive.csv
  hybridopt log drive.mf4 --channel battery_current=I_hv:-A --plot drive.png
  hybridopt log trace.log --dbc powertrain.dbc --dbc battery.dbc
  hybridopt log drive.csv --map car.toml --out channels.csv --json
"""


@click.command("log", short_help="Read and check a car's log.", epilog=EXAMPLES)
@click.argument("log", type=click.Path(path_type=Path))
@recording_options
@path_option("--save-map", "FILE", "Write the mapping used, for the next log.")
@click.option("--step", type=float, metavar="S", help="Step of the channels written (default 0.1).")
@click.option(
    "--fuel-density", type=float, metavar="G/L", help="Density of the fuel, for rates of volume."
)
@path_option("--out", "FILE", "Write all channels on one time base (.csv, or .nc in SI).")
@path_option("--plot", "FILE", "Draw all channels, findings marked (.png).")
@overwrite_option
@json_option
def log(
    log: Path,
    reading: LogReading,
    step: float | None,
    fuel_density: float | None,
    overwrite: bool,
    as_json: bool,
    **given: Any,
) -> None:
    """Read LOG with the channels of the powertrain, and check them against each other.

    Columns are found by the words in their names; a unit that is not stated is asked for, not
    guessed. Nothing is mended: what disagrees, is frozen, late, or in another unit or sign is said
    with figures, and you state it with --channel.
    """
    from ..text.recording_report import report_record, report_text

    targets = {name: path for name in ("out", "plot", "save_map") if (path := given.pop(name))}
    files = list(targets.values())
    if len({path.resolve() for path in files}) < len(files):
        raise InputError("--out, --plot and --save-map name the same file; give each its own")
    for path in files:
        check_target(path, overwrite)
    if "out" in targets:
        check_file("--out", targets["out"], (".csv", ".nc"), overwrite)
    recording = reading.read(log, fuel_density, step)
    write_together(_writers(recording, targets), overwrite)
    finish(as_json, files, lambda: report_record(recording), lambda: report_text(recording))


def _writers(recording: "Recording", targets: dict[str, Path]) -> list[tuple[Path, Write]]:
    """Return what writes each file asked for."""
    made: list[tuple[Path, Write]] = []
    if out := targets.get("out"):
        from ..measurements.recording_writing import recording_writer
        from ..text.recording_report import short_lines

        made.append((out, recording_writer(recording, out, short_lines(recording))))
    if plot := targets.get("plot"):
        from ..plots.axes import figure_writer
        from ..plots.recording import plot_recording

        made.append((plot, figure_writer(plot_recording(recording))))
    if save_map := targets.get("save_map"):
        from ..measurements.channels import map_text

        made.append((save_map, bytes_writer(map_text(recording.choices).encode())))
    return made
