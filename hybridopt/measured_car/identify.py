"""A driveline fitted to the logs of a car: all fits in their order. Read this page first.

1. `fit_gears` (gear_fit.py): overall ratios, delay of the speed channel, shift time.
2. `fit_road` (road_fit.py): mass, rolling resistance, drag.
3. `fit_engine` (engine_fit.py): fuel, overrun.
4. `fit_load`, `fit_motor`, `fit_battery` (electric_fit.py).
5. `fit_starts`, `fit_recuperation` (start_fit.py), `fit_shifts` (shift_fit.py), with what is known
   by then.
6. `predict` (prediction.py): the model beside the measured, also on a log left out.
"""

import warnings
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ..base.errors import InputError
from ..base.warning import InputWarning
from ..inputs.driveline import Driveline
from ..inputs.plausibility import unusual
from ..measurements.recording import Recording
from .channel_noise import COARSE
from .electric_fit import battery_power, fit_battery, fit_load, fit_motor, load_beside, motor_power
from .engine_fit import EngineDelays, EngineFuel, engine_delays, fit_engine
from .gear_fit import Gears, fit_gears
from .log_units import BASE, check_gears, check_units
from .parameters import UNITS, Estimate, NotIdentified, by_key, field_of, with_values
from .prediction import Prediction, predict
from .road_fit import fit_road
from .shift_fit import fit_shifts
from .signals import Signals, make_signals
from .start_fit import fit_recuperation, fit_starts

MASS_DOUBT = 0.1  # half the relative interval of a base's mass (assumed)


@dataclass(frozen=True, eq=False)
class LeftOut:
    """A fit without one recording, and what it says of that one.

    Attributes
    ----------
    recording : the one left out
    estimates : of the others
    prediction : of the one left out, by a driveline that never saw it
    """

    recording: Recording
    estimates: tuple[Estimate, ...]
    prediction: Prediction


@dataclass(frozen=True, eq=False)
class Identified:
    """A driveline fitted to recordings.

    Attributes
    ----------
    base, driveline : before and after
    estimates : what was told, in the order of the file
    not_identified : what stays at the base's figure, with the reason
    recordings : that were fitted
    predictions : the fitted model beside each recording
    left_out : one log left out in turn; empty where there is only one
    offset, delays : of the speed channel, m/s, and s by recording
    shift_time : s, median; NaN where not told
    over_full_load : s with torque above the base's full load by more than a tenth
    """

    base: Driveline
    driveline: Driveline
    estimates: tuple[Estimate, ...]
    not_identified: tuple[NotIdentified, ...]
    recordings: tuple[Recording, ...]
    predictions: tuple[Prediction, ...]
    left_out: tuple[LeftOut, ...]
    offset: float
    delays: tuple[float, ...]
    shift_time: float
    over_full_load: float

    @cached_property
    def by_key(self) -> dict[str, Estimate]:
        """Estimates by their key."""
        return by_key(self.estimates)


def identify(
    recordings: Iterable[Recording], base: Driveline, leave_out: bool = True
) -> Identified:
    """Fit what the channels of a car's logs tell of its driveline.

    Parameters
    ----------
    recordings
        Drives of one car, from :func:`hybridopt.read_recording`.
    base
        A driveline of its kind; what the logs do not tell stays as it has it.
    leave_out
        Fit also without each recording in turn and predict it.

    Returns
    -------
    Identified
        Estimates with 95 % intervals, the fitted driveline, and what was not identified.

    Raises
    ------
    InputError
        There is no recording, none tells anything, or vehicle speed and shaft cannot belong
        together.

    Warns
    -----
    InputWarning
        The fitted driveline has a value that no real vehicle has, or torque lies above the base's
        full load.

    Notes
    -----
    The equations stand in the guide `measured_car`.
    """
    signals = [make_signals(one, number) for number, one in enumerate(recordings)]
    if not signals:
        raise InputError("identify: give at least one recording")
    for one in signals:
        check_units(one.recording, base, BASE)
        check_gears(one.recording, base)
    delays = {one.number: engine_delays(one, base) for one in signals}
    found = _fit(signals, base, delays)
    if not found.estimates:
        has = sorted({name for one in recordings for name in one.channels})
        raise InputError(
            f"identify: the logs tell nothing of the driveline: their channels are "
            f"{', '.join(has)}; name columns of speeds, torques, fuel or battery by --channel"
        )
    left = []
    if leave_out and len(signals) > 1:
        for one in signals:
            rest = _fit([other for other in signals if other is not one], base, delays)
            alone = fit_gears([one], base)
            gears = rest.gears.with_delays(alone.delays)
            told = predict(one, gears, rest.driveline, delays[one.number])
            left.append(LeftOut(one.recording, rest.estimates, told))
    _warn(found, base)
    return Identified(
        base,
        found.driveline,
        found.estimates,
        found.not_identified,
        tuple(one.recording for one in signals),
        tuple(predict(one, found.gears, found.driveline, delays[one.number]) for one in signals),
        tuple(left),
        found.gears.offset,
        tuple(found.gears.delays.get(one.number, 0.0) for one in signals),
        found.gears.shift_time,
        found.engine.over_full,
    )


@dataclass(frozen=True, eq=False)
class _Found:
    driveline: Driveline
    estimates: tuple[Estimate, ...]
    not_identified: tuple[NotIdentified, ...]
    gears: Gears
    engine: EngineFuel


def _fit(signals: Sequence[Signals], base: Driveline, delays: Mapping[int, EngineDelays]) -> _Found:
    gears = fit_gears(signals, base)
    road = fit_road(signals, gears, base)
    engine = fit_engine(signals, base, delays)
    found = [*gears.estimates, *road.estimates, *engine.estimates, *engine.overrun]
    found += fit_load(signals, base)
    found += fit_motor(signals, base)
    found += fit_battery(signals, base)
    sound, refused = _falling(*_sort_out(found, base), base)
    known = with_values(base, {one.key: one.value for one in sound})
    late = [
        *fit_starts(signals, known, base, engine.delays),
        *fit_shifts(signals, gears, known, base, engine.delays),
    ]
    mass = by_key(sound).get("vehicle.mass_kg")
    doubt = mass.half_width / mass.value if mass else MASS_DOUBT
    late += fit_recuperation(signals, gears, known, base, doubt, road.delays)
    sound_late, refused_late = _sort_out(late, base)
    sound, refused = [*sound, *sound_late], [*refused, *refused_late]
    keys = {one.key for one in sound}
    reasons = {one.key: one for one in refused}
    for key in _all_keys(base):
        if key not in keys and key not in reasons:
            reasons[key] = NotIdentified(key, _why_not(key, signals, road.reason, engine.reason))
    order = list(_all_keys(base))
    sound.sort(key=lambda one: order.index(one.key))
    fitted = with_values(base, {one.key: one.value for one in sound})
    missing = tuple(reasons[key] for key in order if key in reasons)
    return _Found(fitted, tuple(sound), missing, gears, engine)


def _all_keys(base: Driveline) -> Iterable[str]:
    for key in UNITS:
        if key == "gearbox.ratios":
            yield from (f"{key}[{gear}]" for gear in range(base.gearbox.gears))
        elif key != "clutches.oil_pump_power_W" or base.clutches.electric_oil_pump:
            yield key


def _sort_out(
    found: Iterable[Estimate], base: Driveline
) -> tuple[list[Estimate], list[NotIdentified]]:
    """Keep what is told well enough and allowed; the rest stays at the base's figure."""
    sound, refused = [], []
    for one in found:
        meta = field_of(base, one.key)[1].metadata
        inside = float(np.clip(one.value, meta["low"], meta["high"]))
        scale = abs(one.value) if "friction" not in one.key else np.inf
        if not np.isfinite([one.low, one.high]).all() or one.half_width > 0.5 * scale:
            why = f"the data leave it between {one.low:.3g} and {one.high:.3g} {one.unit}"
            refused.append(NotIdentified(one.key, why))
        elif one.high < meta["low"] or one.low > meta["high"]:
            allowed = f"{meta['low']:g} to {meta['high']:g} {one.unit}"
            why = f"the data say {one.value:.4g}, beyond the allowed {allowed}"
            refused.append(NotIdentified(one.key, why))
        else:
            low, high = np.clip((one.low, one.high), meta["low"], meta["high"]).tolist()
            sound.append(replace(one, value=inside, low=low, high=high))
    return sound, refused


def _falling(
    sound: Sequence[Estimate], refused: Sequence[NotIdentified], base: Driveline
) -> tuple[list[Estimate], list[NotIdentified]]:
    """Give up ratios, the least known first, until all fall from gear to gear, as a file's must."""
    kept, given_up = list(sound), list(refused)
    while True:
        told = {one.key: one for one in kept if one.key.startswith("gearbox.ratios[")}
        row = with_values(base, {key: one.value for key, one in told.items()}).gearbox.ratios
        rising = np.flatnonzero(np.diff(row) >= 0.0)
        beside = {f"gearbox.ratios[{g}]" for at in rising for g in (at, at + 1)} & set(told)
        if not beside:
            return kept, given_up
        worst = max(beside, key=lambda key: told[key].half_width / told[key].value)
        kept.remove(told[worst])
        why = (
            f"the data say {told[worst].value:.4g}, and ratios must fall from gear to gear; "
            "look at the channel of the gear, or take a nearer base"
        )
        given_up.append(NotIdentified(worst, why))


def _why_not(key: str, signals: Sequence[Signals], road: str, engine: str) -> str:
    """Return why a parameter was not identified."""

    def lacks(*names: str) -> bool:
        return not any(one.has(*names) for one in signals)

    table, name = key.split(".")
    if name == "shift_efficiency":
        return "needs gear, speed, torque and fuel of the engine, and enough downshifts"
    if table == "gearbox":
        if lacks("gear"):
            return "the gear is not measured"
        return "the gear was not driven long enough"
    if name == "recuperation_share":
        return "needs motor torque, gear and braking with the engine off"
    if table == "vehicle":
        return road or "too little driving in a closed gear"
    if table == "engine":
        return engine or "the engine was not dragged along with fuel cut for long enough"
    if table == "motor":
        known = any(motor_power(one) is not None for one in signals)
        if not known or lacks("motor_torque", "motor_speed"):
            return "needs speed, torque and electric power of the motor"
        return "the motor worked too little"
    if table == "battery":
        if name in ("voltage_scale", "resistance_scale"):
            return "needs voltage, current and SoC of the battery"
        return "needs current and SoC of the battery, and enough changes of SoC"
    if name in ("power_kW", "oil_pump_power_W"):
        if all(load_beside(one) is None for one in signals):
            return "needs auxiliary power, or battery and motor power"
        return "too little data"
    return _why_no_start(name, signals)


def _why_no_start(name: str, signals: Sequence[Signals]) -> str:
    if not any(one.has("engine_speed") for one in signals):
        return "needs the speed of the engine"
    if name == "duration_s" and all(one.dt > COARSE for one in signals):
        return f"needs samples at most {COARSE:g} s apart"
    if name == "fuel_g" and not any(one.has("fuel_rate", "engine_torque") for one in signals):
        return "needs engine torque and fuel rate"
    if name == "efficiency":
        if all(battery_power(one) is None for one in signals):
            return "needs the power of the battery at starts"
        return "needs starts at standstill"
    return "needs more engine starts"


def _warn(found: _Found, base: Driveline) -> None:
    """Warn of what no real vehicle has, nor the base, and of torque above full load."""
    names = ("vehicle", "gearbox", "engine", "motor", "battery", "fuel")
    before, after = (
        list(unusual({name: getattr(one, name) for name in names}))
        for one in (base, found.driveline)
    )
    for text in after:
        if text not in before:
            warnings.warn(f"fitted driveline: {text}", InputWarning, stacklevel=3)
    if found.engine.over_full > 5.0:
        warnings.warn(
            f"engine torque lies above the full load of {base.name} by more than a tenth for "
            f"{found.engine.over_full:.0f} s; give a higher full_load_csv",
            InputWarning,
            stacklevel=3,
        )
