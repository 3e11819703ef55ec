"""Options of the predictive controller, which several commands share."""

import dataclasses
import functools
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from .options import Decorator, flag_option, refuse_idle

if TYPE_CHECKING:
    from ..controllers.preview import Preview

PREVIEW = "preview"  # its name
LONGEST = 600.0  # s
OPTIONS = ("preview_horizon_s", "preview_destination")


class Foresight(NamedTuple):
    """How far preview foresees, s, and whether it knows when the drive ends."""

    horizon: float
    destination: bool

    def given_to(self, controller: "Preview") -> "Preview":
        """Return the controller with this foresight."""
        return dataclasses.replace(controller, horizon=self.horizon, destination=self.destination)


def preview_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options; the command gets them as one argument, `foresight`."""

    @functools.wraps(command)
    def gathered(*, preview_horizon_s: float, preview_destination: bool, **rest: Any) -> Any:
        return command(foresight=Foresight(preview_horizon_s, preview_destination), **rest)

    options: tuple[Decorator, ...] = (
        click.option(
            "--preview-horizon-s",
            type=click.FloatRange(0.0, LONGEST),
            default=10.0,
            metavar="SECONDS",
            help="How far the controller `preview` foresees speed and grade, in steps of 1 s "
            "(default 10).",
        ),
        flag_option(
            "--preview-destination",
            "Let `preview` know when the drive ends, so that it brings the charge back by then.",
        ),
    )
    done: Callable[..., Any] = gathered
    for option in reversed(options):
        done = option(done)
    return done


def refuse_idle_preview() -> None:
    """Refuse the options where `preview` is not among the controllers."""
    refuse_idle("without the controller preview", *OPTIONS)
