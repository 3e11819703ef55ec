"""Prices of emissions put into a driveline, and the phase in which its catalyst is heated."""

import dataclasses

import numpy as np

from ..base.errors import InputError
from ..inputs.catalyst import EmissionPrice
from ..inputs.driveline import Driveline
from ..physics.codes import HEATING, LIT, WAITING
from ..physics.demand import Demand
from ..physics.emissions import EARLY
from .settings import Settings


def with_prices(driveline: Driveline, settings: Settings) -> Driveline:
    """Return a driveline whose engine's emissions have the prices of the settings.

    With a phase in which the catalyst is heated, they are of what leaves the catalyst.

    Raises
    ------
    InputError
        There is no map of what has a price or limit, or a setting does not fit the driveline.
    """
    prices, engine = settings.emission_prices, driveline.engine
    for name in {**prices, **settings.emission_limits}:
        if name not in engine.emissions:
            word = "price" if name in prices else "limit"
            raise InputError(
                f"setting {name}_{word}: driveline {driveline.name} does not say how much of it "
                f"the engine emits; add {name}_csv to its table [engine], or leave the setting out"
            )
    _check_heating(driveline, settings)
    passed = dict.fromkeys(prices, 1.0)
    if settings.heating_start is not None:
        passed = driveline.catalyst.passed
    wanted = {name: EmissionPrice(price, passed[name] * price) for name, price in prices.items()}
    if wanted == engine.emission_prices:
        return driveline
    return dataclasses.replace(
        driveline, engine=dataclasses.replace(engine, emission_prices=wanted)
    )


def refuse_limits(settings: Settings) -> None:
    """Raise InputError where limits of emissions are given that what is asked for cannot keep."""
    for name in settings.emission_limits:
        raise InputError(
            f"setting {name}_limit: what is asked for keeps no limits of emissions; give "
            f"{name}_price, such as `solve` finds for the limit"
        )


def _check_heating(driveline: Driveline, settings: Settings) -> None:
    """Raise InputError where the settings of emissions fit neither each other nor the driveline."""
    if settings.heating_start is not None and driveline.catalyst.heating_time is None:
        raise InputError(
            f"setting heating_start: driveline {driveline.name} has no heating_time_s in a table "
            "[catalyst]; add it, or leave the setting out"
        )
    if settings.heating_start and settings.engine_on_start:
        raise InputError(
            f"setting heating_start is {settings.heating_start:g} s, but the engine runs before "
            "the first step; set it to 0, or engine_on_start to false"
        )
    if not settings.warms:
        return
    given = {**settings.emission_prices, **settings.emission_limits}
    if given or settings.heating_start is not None:
        name = f"{next(iter(given))}_price or _limit" if given else "heating_start"
        raise InputError(
            f"setting {name}: cannot be taken with ambient_temperature, whose heat comes from the "
            "cost that the fuel has; leave one of the two out"
        )


def with_heating(driveline: Driveline, demand: Demand, settings: Settings) -> Demand:
    """Return a demand with the phases of the catalyst that the settings ask for.

    The engine is off before the first step that begins at `heating_start` or later, and runs for
    the catalyst's heating time from there on, so that this is lit at a time known beforehand.
    """
    heating = driveline.catalyst.heating_time
    if settings.heating_start is None or heating is None:
        return demand
    begin = np.cumsum(demand.dt) - demand.dt
    waiting = begin < settings.heating_start - EARLY
    first = begin[~waiting].min(initial=np.inf)
    cold = ~waiting & (begin < first + heating - EARLY)
    phase = np.where(waiting, WAITING, np.where(cold, HEATING, LIT))
    return dataclasses.replace(demand, catalyst_phase=phase)
