"""Cycles as commands drive them: as given, or as the driveline can reach them, with a note."""

from collections.abc import Iterable
from typing import TYPE_CHECKING

import click

from ..base.units import KM_PER_H
from .options import Decorator, flag_option

if TYPE_CHECKING:
    from ..inputs.cycle import Cycle
    from ..inputs.driveline import Driveline
    from ..problem.settings import Settings

achievable_option: Decorator = flag_option(
    "--achievable", "Where the driveline cannot follow, drive the speed it can reach."
)


def read_tracks(
    names: Iterable[str],
    vehicle: "Driveline",
    settings: "Settings",
    achievable: bool = False,
    quiet: bool = False,
) -> "list[Cycle]":
    """Return cycles by name or path; unless `quiet`, say what else begins with them.

    Parameters
    ----------
    names
        Names of schedules, or paths.
    vehicle, settings
        What drives them, and how.
    achievable
        Replace each by the speed that the vehicle can reach.
    quiet
        Print no notes.
    """
    from ..inputs.cycle import read_cycle

    tracks = []
    for name in names:
        track = read_cycle(name)
        if not quiet and settings.engine_on_start is None and track.speed[0] > 0.0:
            click.echo(
                f"{track.name} begins at {track.speed[0] / KM_PER_H:.1f} km/h, so the engine runs "
                "at its start (--no-engine-on-start: it does not)",
                err=True,
            )
        tracks.append(_reached(track, vehicle, settings, quiet) if achievable else track)
    return tracks


def _reached(track: "Cycle", vehicle: "Driveline", settings: "Settings", quiet: bool) -> "Cycle":
    """Return the cycle as the driveline can drive it, and say how far that is from it."""
    from ..measurements.followability import follow

    following = follow(vehicle, track, settings)
    if not quiet:
        click.echo(f"{track.name} {following.text}", err=True)
    return following.cycle
