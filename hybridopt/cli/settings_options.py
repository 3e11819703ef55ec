"""Options for the settings of the optimiser, in the units people use; all from declarations."""

from collections.abc import Callable
from typing import Any

import click

from ..problem.declaring import Declaration
from ..problem.settings import SETTINGS, SHARE, Settings


def settings_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Decorate a command with an option for each setting; they arrive by the setting's name."""
    for setting in reversed(SETTINGS.values()):
        command = _option(setting)(command)
    return command


def _option(setting: Declaration) -> Callable[..., Any]:
    if setting.kind is bool:
        flags = setting.option
        if setting.default is None:
            flags += "/" + setting.refusal
        return click.option(
            flags, setting.name, is_flag=True, default=setting.default, help=setting.help
        )
    usual = f" (default {setting.usual})" if setting.usual else ""
    shown: dict[str, Any] = {"help": f"{setting.help[:-1]}{usual}."}
    if setting.kind is str:
        shown["type"] = click.Choice(setting.words)
    else:
        shown["type"] = click.FloatRange(0.0, 100.0) if setting.number is SHARE else setting.kind
        letter = "N" if setting.kind is int else "X"
        shown["metavar"] = setting.metavar or setting.number.symbol.upper() or letter
    return click.option(setting.option, setting.name, **shown)


def make_settings(given: dict[str, Any]) -> Settings:
    """Return the settings of options; None is where one was not given.

    Raises
    ------
    InputError
        A setting is out of range.
    """
    values = {k: SETTINGS[k].from_given(v) for k, v in given.items() if v is not None}
    return Settings(**values)
