"""How commands read the log of a measured car: columns, buses, parts; the same for all of them."""

import functools
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .cycle import named_channels
from .options import Decorator, path_option

if TYPE_CHECKING:
    from ..measurements.recording import Recording


@dataclass(frozen=True)
class LogReading:
    """What the options say of how logs are read."""

    channels: tuple[str, ...]
    map_file: Path | None
    dbc: tuple[Path, ...]
    part: str
    bridge: float | None
    air_need: float

    def read(
        self, log: Path, fuel_density: float | None = None, step: float | None = None
    ) -> "Recording":
        """Return the recording of a log; see :func:`hybridopt.read_recording`."""
        from ..measurements.channels import POWERTRAIN, SIGNALS
        from ..measurements.drive import Cleaning
        from ..measurements.recording_import import read_recording

        bridge = {} if self.bridge is None else {"bridge": self.bridge}
        return read_recording(
            log,
            named_channels(self.channels, self.map_file, (*SIGNALS, *POWERTRAIN)),
            Cleaning(part=self.part, **bridge),
            step,
            dbc=self.dbc,
            fuel_density=fuel_density,
            air_need=self.air_need,
        )


def recording_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options, and hand them on as one argument, `reading`."""

    @functools.wraps(command)
    def gathered(
        *,
        channels: tuple[str, ...],
        map_file: Path | None,
        dbc: tuple[Path, ...],
        part: str,
        bridge: float | None,
        air_need: float,
        **rest: Any,
    ) -> Any:
        reading = LogReading(channels, map_file, dbc, part, bridge, air_need)
        return command(reading=reading, **rest)

    options: list[Decorator] = [
        click.option(
            "--channel",
            "channels",
            multiple=True,
            metavar="SIGNAL=NAME[:UNIT]",
            help="Column of a signal; unit -A turns its sign, 2.5*Nm multiplies; name none leaves "
            "it out.",
        ),
        click.option(
            "--dbc",
            multiple=True,
            type=click.Path(path_type=Path),
            metavar="FILE",
            help="DBC file of a recorded bus (needs hybridopt[bus]); may be repeated.",
        ),
        path_option("--map", "FILE", "Mapping file (.toml) with columns and units.", "map_file"),
        click.option(
            "--part", default="", metavar="N|longest", help="Which part of a log with long gaps."
        ),
        click.option("--bridge", type=float, metavar="S", help="Longest gap to close (default 3)."),
        click.option(
            "--air-need",
            type=float,
            default=14.7,
            metavar="X",
            help="Air that burns a kg of fuel, kg (default 14.7), for fuel from air and lambda.",
        ),
    ]
    done: Callable[..., Any] = gathered
    for option in reversed(options):
        done = option(done)
    return done
