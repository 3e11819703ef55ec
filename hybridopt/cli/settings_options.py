"""Options for the settings of the optimiser, in the units people use; all from declarations."""

from collections.abc import Callable
from typing import Any

import click

from ..problem.declaring import Declaration
from ..problem.settings import SETTINGS, SHARE, Settings

Command = Callable[..., Any]


def settings_options(command: Command) -> Command:
    """Decorate a command with an option for each setting; they arrive by the setting's name."""
    return declared_options(SETTINGS)(command)


def declared_options(settings: dict[str, Declaration]) -> Callable[[Command], Command]:
    """Return a decorator with an option for each of some settings, as :func:`settings_options`."""

    def decorate(command: Command) -> Command:
        for setting in reversed(settings.values()):
            command = _option(setting)(command)
        return command

    return decorate


def _option(setting: Declaration) -> Callable[..., Any]:
    if setting.kind is bool:
        flags = setting.option
        if setting.default is not False:
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
    return Settings(**inside(SETTINGS, given))


def inside(settings: dict[str, Declaration], given: dict[str, Any]) -> dict[str, Any]:
    """Return the values of options by setting, SI; those of options that were not given are not."""
    return {k: settings[k].from_given(v) for k, v in given.items() if v is not None}
